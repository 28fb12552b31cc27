"""Bringing things into the book: look first, store after. Nothing is stored while anything is wrong."""

from __future__ import annotations

import json
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from router.formats.model_order import ModelFile
from router.formats.network_file import NETWORK_FILE, NetworkReading, inspect_network
from router.formats.scenario_folder import MODEL_FOLDER, ORDER_FILES, STANDARD_OVERHANG_DEG
from router.kernel.faults import Conflict, Fault, NotFound, TooMuch
from router.service.archive import read_archive, read_own_archive, write_archive
from router.service.cells import ORDERS_CSV, Cells, csv_of, read_cells, record_of
from router.service.changes import book_changed
from router.service.contents import Contents, Sent, of_bytes, of_paths, of_sent, size_of
from router.service.desk import Desk
from router.service.models import digest_of, model_faults
from router.service.network import IN_THE_BOOK, NO_NETWORK, keep_edition
from router.service.ports import Work
from router.service.receipts import Once, earlier, keep
from router.service.records import Actor, LineRecord, ModelRecord
from router.service.rights import Operation, may_see_code, require

_CELLS, _MANIFEST = "cells.json", "manifest.json"


@dataclass(frozen=True, slots=True)
class ChangedLine:
    """A line that is in the book already, otherwise."""

    line_id: str
    columns: tuple[str, ...]
    closed: bool
    """Withdrawn: it will stay as it is."""


@dataclass(frozen=True, slots=True)
class ImportPreview:
    """What an import would do. With faults nothing can be stored."""

    import_id: str
    name: str
    network: str
    """``new edition``, ``the same`` or ```` when none was sent."""
    new_lines: tuple[str, ...]
    same_lines: tuple[str, ...]
    changed_lines: tuple[ChangedLine, ...]
    new_models: tuple[str, ...]
    same_models: tuple[str, ...]
    other_models: tuple[str, ...]
    """Models whose name stands for another content now."""
    faults: tuple[Fault, ...]

    @property
    def storable(self) -> bool:
        return not self.faults


@dataclass(frozen=True, slots=True)
class Stored:
    """What an import did."""

    import_id: str
    lines_added: int
    lines_changed: int
    lines_same: int
    models_added: int
    network_version: int | None
    revision: int


@dataclass(frozen=True, slots=True)
class _Load:
    """What was sent, sorted out."""

    network: bytes | None
    cells: tuple[Cells, ...]
    models: Contents


def preview_files(desk: Desk, actor: Actor, files: Mapping[str, Sent]) -> ImportPreview:
    """Look at uploaded files: one zipped scenario folder, an order book (CSV, XLSX, JSON), model files, a network file.

    Several may come together. Raises TooMuch and FaultyInput for what cannot even be looked at.
    """
    require(actor, Operation.IMPORT)
    if sum(map(size_of, files.values())) > desk.limits.most_upload_bytes:
        raise TooMuch(f"at most {desk.limits.most_upload_bytes} bytes at a time")
    sorted_out = Contents()
    faults: list[Fault] = []
    for name, content in files.items():
        base = name.replace("\\", "/").rsplit("/", 1)[-1]
        ending = Path(base).suffix.lower()
        if ending == ".zip":
            inside = read_archive(content, base, desk.limits)
        elif ending in (".yaml", ".yml"):
            inside = of_sent(NETWORK_FILE, content)
        elif ending in (".csv", ".xlsx", ".json"):
            inside = of_sent(base, content)
        else:
            inside = of_sent(f"{MODEL_FOLDER}/{base}", content)
        faults += [Fault(base, p, "", "sent a second time", "every file once") for p in inside if p in sorted_out]
        sorted_out |= inside
    return _preview(desk, actor, ", ".join(files)[:200] or "nothing", sorted_out, faults)


def preview_folder(desk: Desk, actor: Actor, folder: Path) -> ImportPreview:
    """Look at a scenario folder on this machine (for the command line and the demonstration)."""
    require(actor, Operation.IMPORT)
    files = {n: folder / n for n in (NETWORK_FILE, *ORDER_FILES) if (folder / n).is_file()}
    models = folder / MODEL_FOLDER
    if models.is_dir():
        files |= {f"{MODEL_FOLDER}/{p.name}": p for p in sorted(models.iterdir()) if p.is_file()}
    if not files:
        raise NotFound(
            f"nothing to import at {folder}; expected {NETWORK_FILE}, {' or '.join(ORDER_FILES)}, {MODEL_FOLDER}/"
        )
    return _preview(desk, actor, folder.name, of_paths(files), [])


def _preview(desk: Desk, actor: Actor, name: str, files: Contents, faults: list[Fault]) -> ImportPreview:
    with desk.store.look() as work:
        kept_network = work.networks.latest()
        kept_models = {m.name: m for m in work.models.all()}
        kept_lines = {x.line_id: x for x in work.lines.all()}
    sent_network = files.get(NETWORK_FILE)
    raw = sent_network if sent_network is not None else kept_network.raw if kept_network else None
    reading = inspect_network(raw) if raw is not None else NetworkReading(None, 0, {}, None, ())
    if sent_network is not None:
        faults += reading.faults
    models = files.under(MODEL_FOLDER)
    models = models.only(n for n in models if _named_well(n, faults))
    tables = [n for n in files if n.lower().endswith((".csv", ".xlsx", ".json"))]
    if len(tables) > 1:
        faults.append(Fault(" and ".join(tables), "", "", f"{len(tables)} order books", "one at a time"))
    if tables and raw is None:
        faults.append(Fault(tables[0], "", "", "an order book without a network", NO_NETWORK))
    rows: list[Cells] = []
    units: dict[str, str] = {x.model: x.cells.get("unit", "mm") for x in kept_lines.values()}
    for table in tables[:1]:
        if raw is None:
            break
        found, wrong = read_cells(files[table], table, reading, [*kept_models, *models])
        faults += wrong
        rows = [cells for _, cells in found]
        units |= {line.model: line.unit for line, _ in found}
        # Whoever holds a file may bring it; lines already in the book that they may not see stay out of their reach.
        faults += [
            Fault(table, line.line_id, "line", "a name that is taken", "another name, or a cleared person to send it")
            for line, _ in found
            if line.line_id in kept_lines and not may_see_code(actor, kept_lines[line.line_id].export_control)
        ]
    if len(kept_lines) + len(rows) > desk.limits.most_lines:
        raise TooMuch(f"{len(kept_lines) + len(rows)} lines; at most {desk.limits.most_lines} in a book")
    if sent_network is not None and reading.network is not None and kept_lines:
        faults += _breaks(kept_lines, rows, reading, [*kept_models, *models])
    overhang_deg = reading.network.overhang_deg if reading.network else STANDARD_OVERHANG_DEG
    fresh = models.only(n for n in models if n not in kept_models or kept_models[n].sha256 != digest_of(models[n]))
    faults += model_faults(desk, fresh, units, overhang_deg)
    if not files:
        faults.append(
            Fault(name, "", "", "no file", "a zipped scenario folder, an order book, models or a network file")
        )
    preview = ImportPreview(
        uuid.uuid4().hex,
        name,
        "" if sent_network is None else "the same" if kept_network and kept_network.raw == raw else "new edition",
        *_sorted_lines(kept_lines, rows),
        tuple(sorted(n for n in models if n not in kept_models)),
        tuple(sorted(n for n in models if n in kept_models and n not in fresh)),
        tuple(sorted(n for n in models if n in kept_models and n in fresh)),
        tuple(faults),
    )
    if preview.storable:
        _remember(
            desk,
            actor,
            preview,
            _Load(sent_network if preview.network == "new edition" else None, tuple(rows), fresh),
            kept_network.version if kept_network else 0,
        )
    return preview


def _named_well(name: str, faults: list[Fault]) -> bool:
    try:
        ModelFile().parse(name, None)
    except ValueError:
        want = "the name of a model file ending in .stl or .3mf"
        faults.append(Fault(f"{MODEL_FOLDER}/{name[:80]}", "", "", "a name that cannot be used", want))
        return False
    return True


def _breaks(
    kept: Mapping[str, LineRecord], rows: list[Cells], reading: NetworkReading, models: list[str]
) -> list[Fault]:
    """Lines of the book that a new network would no longer know how to read."""
    sent = {row["line"] for row in rows}
    left = [x for x in kept.values() if x.line_id not in sent and not x.standing.closed]
    return read_cells(csv_of(x.cells for x in left), IN_THE_BOOK, reading, models)[1] if left else []


def _sorted_lines(
    kept: Mapping[str, LineRecord], rows: list[Cells]
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[ChangedLine, ...]]:
    new, same, changed = [], [], []
    for row in rows:
        before = kept.get(row["line"])
        if before is None:
            new.append(row["line"])
        elif dict(before.cells) == dict(row):
            same.append(row["line"])
        else:
            columns = sorted(c for c in {*before.cells, *row} if before.cells.get(c) != row.get(c))
            changed.append(ChangedLine(row["line"], tuple(columns), before.standing.closed))
    return tuple(new), tuple(same), tuple(changed)


def _remember(desk: Desk, actor: Actor, preview: ImportPreview, load: _Load, network_version: int) -> None:
    small = {_CELLS: json.dumps([dict(row) for row in load.cells]).encode()}
    small[_MANIFEST] = json.dumps({"name": preview.name, "network_version": network_version}).encode()
    if load.network is not None:
        small[NETWORK_FILE] = load.network
    payload = write_archive(load.models.into(MODEL_FOLDER) | of_bytes(small))
    now = desk.clock()
    with desk.store.begin() as work:
        work.previews.forget_before(now - desk.limits.preview_age)
        work.previews.put(preview.import_id, actor.name, now, payload)


def store_import(desk: Desk, actor: Actor, import_id: str, once: Once | None = None) -> Stored:
    """Store what a preview showed, all of it in one transaction. A repeated request stores nothing twice.

    Raises NotFound for a preview that is not there (any more), Conflict when the network has changed since.
    """
    require(actor, Operation.IMPORT)
    with desk.store.look() as work:
        answer = earlier(work, actor, once)
        found = work.previews.get(import_id)
    if answer is not None:
        return Stored(**answer)
    if found is None or found[0] != actor.name or found[1] < desk.clock() - desk.limits.preview_age:
        raise NotFound(f"no preview {import_id[:40]}; it may be stored already or too old: send the files again")
    files = read_own_archive(found[2])
    manifest = json.loads(files[_MANIFEST])
    rows: list[Cells] = json.loads(files[_CELLS])
    models = files.under(MODEL_FOLDER)
    with desk.store.look() as work:
        network = work.networks.latest()
        names = [*(m.name for m in work.models.all()), *models]
    raw = files.get(NETWORK_FILE) or (network.raw if network else b"")
    lines = read_cells(csv_of(rows), ORDERS_CSV, inspect_network(raw), names)[0] if rows else []
    with desk.store.begin() as work:
        answer = earlier(work, actor, once)
        if answer is not None:
            return Stored(**answer)
        if work.previews.get(import_id) is None:
            raise NotFound(f"no preview {import_id[:40]}; it is stored already")
        version = latest.version if (latest := work.networks.latest()) else 0
        if version != manifest["network_version"]:
            raise Conflict("the network has changed since the preview; send the files again")
        if NETWORK_FILE in files:
            version = keep_edition(
                work, desk, actor, files[NETWORK_FILE], version, f"imported: {manifest['name']}"
            ).version
        for model_name in sorted(models):
            content = models[model_name]
            work.models.put(ModelRecord(digest_of(content), model_name, len(content), desk.clock()), content)
        added, changed, same = _store_lines(work, [record_of(line, cells) for line, cells in lines])
        work.previews.drop(import_id)
        counts = {"lines_added": added, "lines_changed": changed, "models": len(models)}
        revision = book_changed(work, desk, actor, "import", manifest["name"], counts)
        stored = Stored(import_id, added, changed, same, len(models), version or None, revision)
        keep(work, desk, actor, once, {f: getattr(stored, f) for f in Stored.__dataclass_fields__})
        return stored


def _store_lines(work: Work, records: list[LineRecord]) -> tuple[int, int, int]:
    kept = {x.line_id: x for x in work.lines.all()}
    fresh = [r for r in records if r.line_id not in kept]
    work.lines.add(fresh)
    changed = same = 0
    for record in records:
        before = kept.get(record.line_id)
        if before is None:
            continue
        if dict(before.cells) == dict(record.cells) or before.standing.closed:
            same += 1
            continue
        work.lines.change(record.decided_as(before), before.version)
        changed += 1
    return len(fresh), changed, same
