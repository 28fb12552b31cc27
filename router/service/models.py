"""Part models by content, and their measurements."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from pathlib import Path

from router.domain.network import Network
from router.domain.orders import OrderLine
from router.formats import part_remarks
from router.formats.model_order import MODEL_ENDINGS
from router.geometry import MeshError, PartFacts, measure, unusable
from router.kernel.faults import Fault, NotFound
from router.kernel.private_files import for_owner_only, make_folder
from router.service.cells import own_name
from router.service.desk import Desk
from router.service.ports import Work
from router.service.records import Actor, ModelRecord
from router.service.rights import Operation, require
from router.service.visible import models_seen, users_of


def content_of(shas: Mapping[str, str], line_id: str, model: str) -> str:
    """Content (SHA-256) of a line's model: its own, else what the name stands for. ``shas``: content by kept name."""
    return shas.get(own_name(line_id, model)) or shas[model]


def content_in(work: Work, line_id: str, model: str) -> str:
    """The same from the book. Raises NotFound where neither name is kept."""
    shas = contents_in(work, line_id, model)
    if not shas:
        raise NotFound(f"the model {model} is not in the book")
    return content_of(shas, line_id, model)


def contents_in(work: Work, line_id: str, model: str) -> dict[str, str]:
    """Content (SHA-256) by kept name, of the names that can stand for a line's model."""
    kept = {name: work.models.by_name(name) for name in (own_name(line_id, model), model)}
    return {name: record.sha256 for name, record in kept.items() if record is not None}


def models_shown(desk: Desk, actor: Actor) -> dict[str, ModelRecord]:
    """Models by kept name that the actor may know of.

    A model is shown with a line that is shown: one that only hidden lines use is not there for the actor, nor is one
    that no line uses (any more) and that is marked with a code they are not cleared for.
    """
    cleared = actor.person.cleared_codes
    return {
        m.name: replace(m, export_codes=tuple(c for c in m.export_codes if c in cleared))
        for m in models_seen(desk, actor)
    }


def codes_brought(actor: Actor, known: ModelRecord | None, hidden: Collection[str]) -> tuple[str, ...]:
    """Mark of a model that somebody brings, as long as no line uses it: whatever they may see it could be for.

    A name that is there for them keeps its mark.
    """
    if known is not None and known.name not in hidden:
        return known.export_codes
    return tuple(sorted(actor.person.cleared_codes))


def mark_models(work: Work, names: Collection[str]) -> None:
    """After lines changed: each model of these names is marked with the codes of the lines that use it now.

    One that no line uses any more keeps its mark: it is as secret as it was.
    """
    kept = {m.name: m for m in work.models.all()}
    users = users_of(work.lines.all(), kept)
    for name, record in kept.items():
        if name.split("/", 1)[-1] not in names or name not in users:
            continue
        codes = {line.export_control for line in users[name]}
        marked = () if None in codes else tuple(sorted(c for c in codes if c is not None))
        if marked != record.export_codes:
            work.models.mark(name, marked)


def leave_to_others(work: Work, names: Collection[str], pairs: Iterable[tuple[str, str]]) -> None:
    """Before somebody gives names another content: lines they may not see (``pairs``) keep theirs under own names.

    Neither overwriting what is hidden nor refusing the name, which would tell that it is in use.
    """
    kept = {m.name: m for m in work.models.all()}
    for line_id, model in sorted(pairs):
        name = own_name(line_id, model)
        if model in names and model in kept and name not in kept:
            content = work.models.content(kept[model].sha256)
            assert content is not None
            work.models.put(replace(kept[model], name=name), content)


def list_models(desk: Desk, actor: Actor) -> list[ModelRecord]:
    """Models the actor may see, by name."""
    require(actor, Operation.SEE_BOOK)
    return sorted(models_shown(desk, actor).values(), key=lambda m: m.name)


def model_content(desk: Desk, actor: Actor, name: str) -> tuple[ModelRecord, bytes]:
    """A model file. One that only export-controlled lines use is for cleared people only."""
    require(actor, Operation.SEE_BOOK)
    record = models_shown(desk, actor).get(name)
    if record is None:
        raise NotFound(f"no model {name!r} in the book")
    with desk.store.look() as work:
        content = work.models.content(record.sha256)
    assert content is not None
    return record, content


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
        make_folder(path.parent)
        half = path.with_suffix(f".{id(content)}.part")
        with open(half, "wb", opener=for_owner_only) as file:
            file.write(content)
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


def model_remarks(
    desk: Desk, contents: Mapping[str, bytes], units: Mapping[str, str], network: Network | None, overhang_deg: float
) -> tuple[str, ...]:
    """Remarks on sound model files that deserve a look. ``contents``: those without a fault."""
    parts = {
        name: measured(desk, name, digest_of(content), units.get(name, "mm"), overhang_deg, content)
        for name, content in contents.items()
    }
    return part_remarks(parts, network)


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
            part = measured(desk, name, digest_of(content), units.get(name, "mm"), overhang_deg, content)
        except MeshError as wrong:
            faults.append(Fault(label, "", "", wrong.found, wrong.expected))
            continue
        bad = unusable(part)
        if bad is not None:
            faults.append(Fault(label, "", "", bad.found, bad.expected))
    return faults
