"""From pydantic's errors to faults that name the place, the field, what was found and what would be right."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, cast

from pydantic import BaseModel, ValidationError

from router.formats.wording import found
from router.formats.yaml_reader import Document, Path
from router.kernel.faults import Fault
from router.kernel.names import nearest


def value_at(data: object, path: Path) -> object:
    """What stands at a path, or None."""
    for step in path:
        inside_list = isinstance(data, list) and isinstance(step, int) and step < len(data)
        if not inside_list and not (isinstance(data, Mapping) and step in data):
            return None
        data = cast("Any", data)[step]
    return data


def render(data: object, path: Path) -> str:
    """A path for people: ``sites[0] "CIN" machines[1] "M02" plate``."""
    words: list[str] = []
    for k, step in enumerate(path):
        if isinstance(step, int):
            record = value_at(data, path[: k + 1])
            name = record.get("id") if isinstance(record, Mapping) else None
            words[-1] = f"{words[-1]}[{step}]" if words else f"[{step}]"
            if isinstance(name, (str, int)):
                words[-1] += f' "{str(name)[:40]}"'
        else:
            words.append(str(step)[:40])
    return " ".join(words)


class Places:
    """Makes faults at paths of one YAML document."""

    def __init__(self, file: str, document: Document) -> None:
        self._file, self._document = file, document

    def fault(self, path: Path, found_text: str, expected: str) -> Fault:
        """A fault at a path; the last named step is the field, list positions stay with the place."""
        cut = len(path)
        while cut and isinstance(path[cut - 1], int):
            cut -= 1
        own = path[cut - 1 :] if cut else path
        field = render(None, own) if cut else ""
        where = render(self._document.data, path[: cut - 1] if cut else path)
        if cut and isinstance(value_at(self._document.data, path), Mapping) and cut < len(path):
            field, where = "", render(self._document.data, path)
        line = self._document.line(path)
        return Fault(
            self._file, ", ".join(x for x in (where, f"line {line}" if line else "") if x), field, found_text, expected
        )


def structure_faults(model: type[BaseModel], data: object, error: ValidationError, places: Places) -> list[Fault]:
    """One fault for every error of a failed validation of ``data`` against ``model``."""
    faults = []
    for entry in error.errors(include_url=False, include_input=False):
        path = tuple(p for p in entry["loc"] if p != "[key]")
        kind = entry["type"]
        here = value_at(data, path)
        if kind == "missing":
            faults.append(places.fault(path, "nothing", describe(model, path)))
        elif kind == "extra_forbidden":
            known = field_names(model, path[:-1])
            guess = nearest(str(path[-1]), known)
            hint = f"; did you mean '{guess}'?" if guess else ""
            faults.append(places.fault(path, "a field that is not known here", f"one of {', '.join(known)}{hint}"))
        elif kind == "expected":
            seen = found(path[-1]) if entry["loc"] and entry["loc"][-1] == "[key]" else found(here)
            faults.append(places.fault(path, seen, str(entry["ctx"]["want"])))
        elif kind == "disagrees":
            inner = (*path, str(entry["ctx"]["field"]))
            faults.append(places.fault(inner, found(entry["ctx"]["found"]), str(entry["ctx"]["want"])))
        else:
            faults.append(places.fault(path, found(here), _EXPECTED.get(kind, entry["msg"])))
    return faults


_EXPECTED = {
    "list_type": "a list",
    "dict_type": "a group of fields",
    "model_type": "a group of fields",
    "model_attributes_type": "a group of fields",
    "too_short": "a list of at least one entry",
}


def _model_at(model: type[BaseModel], path: Path) -> type[BaseModel] | None:
    current: type[BaseModel] | None = model
    for step in path:
        if isinstance(step, int):
            continue
        if current is None:
            return None
        info = current.model_fields.get(step)
        if info is None:
            continue  # the key of a mapping of records
        current = _record_in(info.annotation)
    return current


def _record_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        record = _record_in(inner)
        if record is not None:
            return record
    return None


def field_names(model: type[BaseModel], path: Path) -> list[str]:
    """Names of the fields of the record at a path."""
    record = _model_at(model, path)
    return list(record.model_fields) if record else []


def describe(model: type[BaseModel], path: Path) -> str:
    """What a field is for, in the words of the model."""
    record = _model_at(model, path[:-1])
    info = record.model_fields.get(str(path[-1])) if record else None
    return info.description if info and info.description else "a value"
