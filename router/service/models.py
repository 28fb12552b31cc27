"""Part models by content, and their measurements."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from pathlib import Path

from router.domain.orders import OrderLine
from router.formats.model_order import MODEL_ENDINGS
from router.geometry import MeshError, PartFacts, measure
from router.kernel.faults import Fault, NotFound
from router.service.desk import Desk
from router.service.records import Actor, ModelRecord
from router.service.rights import Operation, may_see_code, require


def list_models(desk: Desk, actor: Actor) -> list[ModelRecord]:
    """Models the actor may see, by name."""
    require(actor, Operation.SEE_BOOK)
    with desk.store.look() as work:
        hidden = {x.model for x in work.lines.all() if not may_see_code(actor, x.export_control)}
        return [m for m in work.models.all() if m.name not in hidden]


def model_content(desk: Desk, actor: Actor, name: str) -> tuple[ModelRecord, bytes]:
    """A model file. One that an export-controlled line uses is for cleared people only."""
    for record in list_models(desk, actor):
        if record.name == name:
            with desk.store.look() as work:
                content = work.models.content(record.sha256)
            assert content is not None
            return record, content
    raise NotFound(f"no model {name!r} in the book")


def digest_of(content: bytes) -> str:
    """SHA-256 of a model, its name in the store."""
    return hashlib.sha256(content).hexdigest()


def model_path(desk: Desk, sha256: str, name: str, content: bytes | None = None) -> Path:
    """The content as a file in the cache, read from the store when it is not there yet."""
    path = desk.cache_dir / "contents" / f"{sha256}{Path(name).suffix.lower()}"
    if not path.exists():
        if content is None:
            with desk.store.look() as work:
                content = work.models.content(sha256)
            if content is None:
                raise NotFound(f"the content of {name} is not in the store")
        path.parent.mkdir(parents=True, exist_ok=True)
        half = path.with_suffix(f".{id(content)}.part")
        half.write_bytes(content)
        half.replace(path)
    return path


def measured(
    desk: Desk, name: str, sha256: str, unit: str, overhang_deg: float, content: bytes | None = None
) -> PartFacts:
    """Measurements of a model, remembered. Raises MeshError."""
    key = ("facts", sha256, Path(name).suffix.lower(), unit, overhang_deg)

    def make() -> PartFacts:
        return measure(model_path(desk, sha256, name, content), unit, overhang_deg, desk.cache_dir / "measured")

    facts: PartFacts = desk.parts.get(key, make)
    return facts


def parts_of(
    desk: Desk, lines: Iterable[OrderLine], shas: Mapping[str, str], overhang_deg: float
) -> dict[str, PartFacts]:
    """Measurements of the models of some lines by name. ``shas``: content of each model."""
    units = {line.model: line.unit for line in lines}
    return {name: measured(desk, name, shas[name], unit, overhang_deg) for name, unit in units.items()}


def model_faults(
    desk: Desk, contents: Mapping[str, bytes], units: Mapping[str, str], overhang_deg: float
) -> list[Fault]:
    """What keeps model files from being built: names, endings, and everything measuring them finds."""
    faults = []
    for name, content in contents.items():
        label = f"models/{name}"
        if not name.lower().endswith(MODEL_ENDINGS):
            faults.append(Fault(label, "", "", "another kind of file", "an STL or 3MF file"))
            continue
        try:
            measured(desk, name, digest_of(content), units.get(name, "mm"), overhang_deg, content)
        except MeshError as wrong:
            faults.append(Fault(label, "", "", wrong.found, wrong.expected))
    return faults
