"""Plans and results as JSON files, exactly: what is read equals what was written, to the last bit.

A file is one object: ``format`` names its kind and edition, ``fingerprint`` lies inside the plan.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

from pydantic import TypeAdapter, ValidationError

from router.domain.plan import Plan
from router.domain.result import Result
from router.formats.validation import render, value_at
from router.formats.wording import found
from router.formats.yaml_reader import Path
from router.kernel.faults import Fault, FaultyInput

PLAN_FORMAT = "platewright plan 1"
RESULT_FORMAT = "platewright result 1"
PLAN_FILE = "plan.json"
RESULT_FILE = "result.json"
MOST_BYTES = 500_000_000

_ADAPTERS: dict[str, TypeAdapter[Any]] = {PLAN_FORMAT: TypeAdapter(Plan), RESULT_FORMAT: TypeAdapter(Result)}


def plan_to_json(plan: Plan) -> str:
    """JSON text of a plan. Raises ValueError for a number that is not finite or a time without zone."""
    return _to_json(plan, PLAN_FORMAT, "plan")


def result_to_json(result: Result) -> str:
    """JSON text of a result. Raises ValueError for a number that is not finite or a time without zone."""
    return _to_json(result, RESULT_FORMAT, "result")


def plan_from_json(raw: bytes | str, file: str = PLAN_FILE) -> Plan:
    """The plan of a JSON text. Raises FaultyInput with every fault."""
    plan: Plan = _from_json(raw, file, PLAN_FORMAT, "plan")
    return plan


def result_from_json(raw: bytes | str, file: str = RESULT_FILE) -> Result:
    """The result of a JSON text. Raises FaultyInput with every fault."""
    result: Result = _from_json(raw, file, RESULT_FORMAT, "result")
    return result


def _to_json(value: Plan | Result, edition: str, key: str) -> str:
    for path, leaf in _leaves(value, (key,)):
        if isinstance(leaf, float) and not math.isfinite(leaf):
            raise ValueError(f"{render(None, path)}: {leaf} cannot be written")
        if isinstance(leaf, datetime) and leaf.tzinfo is None:
            raise ValueError(f"{render(None, path)}: a time needs a zone")
    tree = _ADAPTERS[edition].dump_python(value, mode="json")
    return json.dumps({"format": edition, key: tree}, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _from_json(raw: bytes | str, file: str, edition: str, key: str) -> Any:
    data = _parse(raw, file, edition, key)
    try:
        value = _ADAPTERS[edition].validate_json(json.dumps(data[key]), strict=True)
    except ValidationError as error:
        raise FaultyInput([_fault(file, data, key, entry) for entry in error.errors(include_url=False)]) from error
    faults = [
        _at(file, data, path, found(value_at(data, path)), "a time with its offset")
        for path, leaf in _leaves(value, (key,))
        if isinstance(leaf, datetime) and leaf.tzinfo is None
    ]
    known = _ADAPTERS[edition].dump_python(value, mode="json")
    faults += [
        _at(file, data, path, "a field that is not known", "no such field")
        for path in _surplus(data[key], known, (key,))
    ]
    if faults:
        raise FaultyInput(faults)
    return _in_utc(value)


def _parse(raw: bytes | str, file: str, edition: str, key: str) -> dict[str, Any]:
    def refuse(where: str, seen: str, expected: str) -> FaultyInput:
        return FaultyInput([Fault(file, where, "", seen, expected)])

    if len(raw) > MOST_BYTES:
        raise refuse("", f"{len(raw)} bytes", f"at most {MOST_BYTES} bytes")
    try:
        data = json.loads(raw, parse_constant=_refuse_constant, object_pairs_hook=_no_key_twice)
    except json.JSONDecodeError as wrong:
        raise refuse(
            f"line {wrong.lineno}, column {wrong.colno}", f"JSON that does not parse: {wrong.msg}", "valid JSON"
        ) from wrong
    except (ValueError, RecursionError) as wrong:
        raise refuse("", str(wrong)[:80], "valid JSON in UTF-8 with finite numbers and every key once") from wrong
    if not isinstance(data, dict):
        raise refuse("", found(data), f"an object with format '{edition}'")
    faults = []
    if data.get("format") != edition:
        faults.append(Fault(file, "", "format", found(data.get("format")), f"'{edition}'"))
    elif not isinstance(data.get(key), dict):
        faults.append(Fault(file, "", key, found(data.get(key)), "an object"))
    faults += [
        Fault(file, "", k, "a field that is not known", f"format and {key}") for k in data if k not in ("format", key)
    ]
    if faults:
        raise FaultyInput(faults)
    return data


def _refuse_constant(name: str) -> float:
    raise ValueError(f"the number {name}")


def _no_key_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    result = dict(pairs)
    if len(result) != len(pairs):
        raise ValueError("a key given twice")
    return result


def _fault(file: str, data: dict[str, Any], key: str, entry: Any) -> Fault:
    path = (key, *(p for p in entry["loc"] if isinstance(p, int) or p.isidentifier()))
    seen = "nothing" if entry["type"] == "missing" else found(value_at(data, path))
    return _at(file, data, path, seen, str(entry["msg"]).removeprefix("Input should be ").lower())


def _at(file: str, data: dict[str, Any], path: Path, seen: str, expected: str) -> Fault:
    cut = len(path) - 1
    while cut > 0 and isinstance(path[cut], int):
        cut -= 1
    return Fault(file, render(data, path[:cut]), render(None, path[cut:]), seen, expected)


def _leaves(value: object, path: Path) -> Iterator[tuple[Path, object]]:
    if dataclasses.is_dataclass(value):
        for part in dataclasses.fields(value):
            yield from _leaves(getattr(value, part.name), (*path, part.name))
    elif isinstance(value, tuple):
        for k, item in enumerate(value):
            yield from _leaves(item, (*path, k))
    else:
        yield path, value


def _surplus(given: object, known: object, path: Path) -> Iterator[Path]:
    """Paths of keys in the file that the value does not hold."""
    if isinstance(given, dict) and isinstance(known, dict):
        for key, inner in given.items():
            if key not in known:
                yield (*path, key)
            else:
                yield from _surplus(inner, known[key], (*path, key))
    elif isinstance(given, list) and isinstance(known, list):
        for k, (one, other) in enumerate(zip(given, known, strict=True)):
            yield from _surplus(one, other, (*path, k))


def _in_utc(value: Any) -> Any:
    """The value with every time in the standard library's UTC, as planning makes them."""
    if isinstance(value, datetime):
        return value.astimezone(UTC)
    if isinstance(value, tuple):
        return tuple(_in_utc(item) for item in value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return type(value)(**{part.name: _in_utc(getattr(value, part.name)) for part in dataclasses.fields(value)})
    return value
