"""Bringing things into the book: look first, store after. Nothing is stored while anything is wrong."""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from router.domain.orders import OrderLine
from router.formats.line_remarks import line_remarks
from router.formats.model_order import ModelFile
from router.formats.network_file import NETWORK_FILE, NetworkReading, inspect_network
from router.formats.scenario_folder import MODEL_FOLDER, ORDER_FILES, STANDARD_OVERHANG_DEG
from router.kernel.faults import AlreadyMade, Conflict, Fault, FaultyInput, NotFound, TooMuch
from router.report.wording import count
from router.service.archive import left_by_a_system, read_archive, read_own_archive, write_archive
from router.service.cells import Cells, own_name, read_cells, record_of
from router.service.changes import book_changed
from router.service.contents import Contents, Sent, of_bytes, of_paths, of_sent, size_of
from router.service.desk import Desk
from router.service.former_names import names_lost
from router.service.models import (
    codes_brought,
    digest_of,
    leave_to_others,
    mark_models,
    model_faults,
    model_remarks,
    models_shown,
)
from router.service.network import NO_NETWORK, faults_in_book, keep_edition
from router.service.ports import Work
from router.service.receipts import Once, earlier, keep, settled
from router.service.records import Actor, LineRecord, ModelRecord
from router.service.rights import Operation, may_see_code, require
from router.service.snapshot import clock_moment
from router.service.visible import Hidden, hidden_from, hidden_lines

_MANIFEST = "manifest.json"
IMPORT = "import"
"""What the trail calls it."""
COUNTED = ("lines_added", "lines_changed", "models")
"""What its entry counts, lines under export control too."""


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
    remarks: tuple[str, ...] = ()
    """On models and lines that can be stored but deserve a look."""

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
    lines_not_shown: int = 0
    """New lines under export control that whoever brought them is not cleared for, and will not see."""

    def told(self) -> str:
        """The lines in a few words."""
        return f"{count(self.lines_added, 'line')} new, {self.lines_changed} changed, {self.lines_same} as they were"


class Overtaken(Conflict):
    """The book is not any more as the preview found it; ``fresh`` is what the same files would do now."""

    def __init__(self, fresh: ImportPreview) -> None:
        self.fresh = fresh
        super().__init__(
            "what this import would do has changed since the preview; nothing is stored. "
            f"Look at the fresh preview, {fresh.import_id}, and store that"
        )


@dataclass(frozen=True, slots=True)
class _Look:
    """Files against the book at one revision: what is shown of it, and what would be stored."""

    preview: ImportPreview
    revision: int
    network_version: int
    network: bytes | None
    """The new edition, if there is one."""
    records: tuple[LineRecord, ...]
    """Lines as they would be kept, those that change with what was decided about them."""
    models: Contents
    """Contents by name that are not kept yet."""
    models_before: frozenset[str]
    """Names of the models of the lines that change, as they are."""
    digest: str
    """Of everything the preview promised, and of what it rested on."""


def preview_files(desk: Desk, actor: Actor, files: Mapping[str, Sent] | Sequence[tuple[str, Sent]]) -> ImportPreview:
    """Look at uploaded files: one zipped scenario folder, an order book (CSV, XLSX, JSON), model files, a network file.

    Several may come together, by name; two of one name are a fault. Raises TooMuch and FaultyInput for what cannot
    even be looked at.
    """
    require(actor, Operation.IMPORT)
    sent = list(files.items() if isinstance(files, Mapping) else files)
    if sum(size_of(content) for _, content in sent) > desk.limits.most_upload_bytes:
        raise TooMuch(f"at most {desk.limits.most_upload_bytes} bytes at a time")
    sorted_out = Contents()
    faults: list[Fault] = []
    for name, content in sent:
        base = name.replace("\\", "/").rsplit("/", 1)[-1]
        ending = Path(base).suffix.lower()
        if left_by_a_system(base):
            continue
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
    return _preview(desk, actor, ", ".join(name for name, _ in sent)[:200] or "nothing", sorted_out, faults)


def preview_folder(desk: Desk, actor: Actor, folder: Path) -> ImportPreview:
    """Look at a scenario folder on this machine (for the command line and the demonstration)."""
    require(actor, Operation.IMPORT)
    files = {n: folder / n for n in (NETWORK_FILE, *ORDER_FILES) if (folder / n).is_file()}
    models = folder / MODEL_FOLDER
    if models.is_dir():
        files |= {
            f"{MODEL_FOLDER}/{p.name}": p
            for p in sorted(models.iterdir())
            if p.is_file() and not left_by_a_system(p.name)
        }
    if not files:
        raise NotFound(
            f"nothing to import at {folder}; expected {NETWORK_FILE}, {' or '.join(ORDER_FILES)}, {MODEL_FOLDER}/"
        )
    return _preview(desk, actor, folder.name, of_paths(files), [])


def _preview(desk: Desk, actor: Actor, name: str, files: Contents, faults: list[Fault]) -> ImportPreview:
    look = _look(desk, actor, name, files, faults)
    if look.preview.storable:
        _remember(desk, actor, look, files)
    return look.preview


def _look(desk: Desk, actor: Actor, name: str, files: Contents, faults: list[Fault]) -> _Look:
    faults = list(faults)
    hidden = hidden_lines(desk, actor)
    shown = models_shown(desk, actor)
    with desk.store.look() as work:
        revision = work.revision.now()
        kept_network = work.networks.latest()
        every_model = [m.name for m in work.models.all()]
        kept_lines = {x.line_id: x for x in work.lines.all()}
    seen_lines = {i: x for i, x in kept_lines.items() if i not in hidden}
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
    found: list[tuple[OrderLine, Cells]] = []
    units: dict[str, str] = {x.model: x.cells.get("unit", "mm") for x in seen_lines.values()}
    for table in tables[:1]:
        if raw is None:
            break
        found, wrong = read_cells(files[table], table, reading, [*shown, *models])
        faults += wrong
        units |= {line.model: line.unit for line, _ in found}
        # Whoever holds a file may bring it; lines already in the book that they may not see stay out of their reach.
        # Two lines cannot have one name on the floor, so that the name is taken is told, and nothing else of the line.
        faults += [
            Fault(table, line.line_id, "line", "a name that is taken", "another name, or a cleared person to send it")
            for line, _ in found
            if line.line_id in hidden
        ]
    found = [(line, cells) for line, cells in found if line.line_id not in hidden]
    faults += [
        Fault(tables[0], line.line_id, "model", f"'{line.model}', a name of several contents", "the file sent along")
        for line, _ in found
        if line.model not in models and len(_contents(line.model, shown, seen_lines)) > 1
        if line.line_id not in seen_lines or seen_lines[line.line_id].model != line.model
    ]
    if len(kept_lines.keys() | {line.line_id for line, _ in found}) > desk.limits.most_lines:
        raise TooMuch(f"at most {desk.limits.most_lines} lines in a book")
    if sent_network is not None and reading.network is not None and kept_lines:
        sent = {line.line_id for line, _ in found}
        faults += faults_in_book(kept_lines.values(), reading, [*every_model, *models], hidden, sent)
    overhang_deg = reading.network.overhang_deg if reading.network else STANDARD_OVERHANG_DEG
    fresh = models.only(n for n in models if {digest_of(models[n])} != _contents(n, shown, seen_lines))
    wrong_models = model_faults(desk, fresh, units, overhang_deg)
    faults += wrong_models
    refused = {f.file for f in wrong_models}
    sound = fresh.only(n for n in fresh if f"{MODEL_FOLDER}/{n}" not in refused)
    remarks = model_remarks(desk, sound, units, reading.network, overhang_deg)
    if reading.network is not None:
        remarks += line_remarks((line for line, _ in found), reading.network, clock_moment(desk, reading.network))
    if not files:
        faults.append(
            Fault(name, "", "", "no file", "a zipped scenario folder, an order book, models or a network file")
        )
    new_network = sent_network is not None and not (kept_network and kept_network.raw == raw)
    preview = ImportPreview(
        uuid.uuid4().hex,
        name,
        "" if sent_network is None else "new edition" if new_network else "the same",
        *_sorted_lines(seen_lines, [cells for _, cells in found]),
        tuple(sorted(n for n in models if n not in shown)),
        tuple(sorted(n for n in models if n in shown and n not in fresh)),
        tuple(sorted(n for n in models if n in shown and n in fresh)),
        tuple(dict.fromkeys(faults)),
        tuple(dict.fromkeys(remarks)),
    )
    version = kept_network.version if kept_network else 0
    return _Look(
        preview,
        revision,
        version,
        sent_network if new_network else None,
        tuple(_as_kept(record_of(line, cells), seen_lines) for line, cells in found),
        fresh,
        frozenset(seen_lines[line.line_id].model for line, _ in found if line.line_id in seen_lines),
        _digest(preview, version, found, seen_lines, shown),
    )


def _contents(name: str, shown: Mapping[str, ModelRecord], lines: Mapping[str, LineRecord]) -> set[str]:
    """What the name stands for now: its content, and those that lines of the name keep of their own."""
    kept = [name, *(own_name(x.line_id, name) for x in lines.values() if x.model == name)]
    return {shown[n].sha256 for n in kept if n in shown}


def _as_kept(record: LineRecord, seen: Mapping[str, LineRecord]) -> LineRecord:
    before = seen.get(record.line_id)
    return record if before is None else record.decided_as(before)


def _digest(
    preview: ImportPreview,
    network_version: int,
    found: Sequence[tuple[OrderLine, Cells]],
    lines: Mapping[str, LineRecord],
    models: Mapping[str, ModelRecord],
) -> str:
    """One word for all that the preview showed and the versions of all it was set beside."""
    shown = {**asdict(preview), "import_id": ""}
    beside = {line.line_id: lines[line.line_id].version for line, _ in found if line.line_id in lines}
    names = (*preview.same_models, *preview.other_models)
    contents = {n: sorted(_contents(n, models, lines)) for n in names}
    text = json.dumps([shown, network_version, beside, contents], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def _named_well(name: str, faults: list[Fault]) -> bool:
    try:
        ModelFile().parse(name, None)
    except ValueError:
        want = "the name of a model file ending in .stl or .3mf"
        faults.append(Fault(f"{MODEL_FOLDER}/{name[:80]}", "", "", "a name that cannot be used", want))
        return False
    return True


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


def _remember(desk: Desk, actor: Actor, look: _Look, files: Contents) -> None:
    """Keep the files as they were sent: what they do is found out again when they are stored."""
    manifest = json.dumps({"name": look.preview.name, "digest": look.digest}).encode()
    payload = write_archive(files | of_bytes({_MANIFEST: manifest}))
    now = desk.clock()
    with desk.store.begin() as work:
        work.previews.forget_before(now - desk.limits.preview_age)
        work.previews.put(look.preview.import_id, actor.name, now, payload)


def _remembered(desk: Desk, actor: Actor, import_id: str) -> tuple[str, str, Contents]:
    """Name, digest and files of a preview of the actor's own. Raises NotFound, AlreadyMade when it is stored."""
    with desk.store.look() as work:
        _refuse_again(work, actor, import_id)
        found = work.previews.get(import_id)
    if found is None or found[0] != actor.name or found[1] < desk.clock() - desk.limits.preview_age:
        raise NotFound(f"no preview {import_id[:40]} of yours; it may be too old: send the files again")
    files = read_own_archive(found[2])
    manifest = json.loads(files[_MANIFEST])
    return manifest["name"], manifest["digest"], files.only(place for place in files if place != _MANIFEST)


def _stored_key(import_id: str) -> str:
    """Under which receipt the outcome of an import is kept; a key of a client's holds no space."""
    return f"stored import {import_id}"


def _outcome(work: Work, actor: Actor, import_id: str) -> Stored | None:
    receipt = work.receipts.get(actor.name, _stored_key(import_id))
    return None if receipt is None else Stored(**receipt.answer)


def _refuse_again(work: Work, actor: Actor, import_id: str) -> None:
    """Raises AlreadyMade for an import of the actor's own that is stored, with what came of it."""
    stored = _outcome(work, actor, import_id)
    if stored is not None:
        raise AlreadyMade(
            asdict(stored),
            f"import {import_id} is stored already, as revision {stored.revision} of the book "
            f"({stored.told()}); nothing is stored twice",
        )


def stored_import(desk: Desk, actor: Actor, import_id: str) -> Stored:
    """What came of an import of the actor's own. Raises NotFound for one that is not stored, or long ago."""
    require(actor, Operation.IMPORT)
    with desk.store.look() as work:
        stored = _outcome(work, actor, import_id)
    if stored is None:
        raise NotFound(f"no import {import_id[:40]} of yours that is stored; what came of one is kept for some days")
    return stored


def look_again(desk: Desk, actor: Actor, import_id: str) -> ImportPreview:
    """What a preview that is kept would do now. It stays as it was promised: storing still sees what has changed."""
    require(actor, Operation.IMPORT)
    name, _, files = _remembered(desk, actor, import_id)
    return replace(_look(desk, actor, name, files, []).preview, import_id=import_id)


def store_import(desk: Desk, actor: Actor, import_id: str, once: Once | None = None) -> Stored:
    """Store what a preview showed, all of it in one transaction. A repeated request stores nothing twice.

    The files are looked at again first, with the rights of now. Raises AlreadyMade for one that is stored, NotFound
    for one that is not there (any more), FaultyInput for faults that have come since, Overtaken with a fresh preview
    when anything else has.
    """
    require(actor, Operation.IMPORT)
    with desk.store.look() as work:
        answer = earlier(work, actor, once)
    if answer is not None:
        return Stored(**answer)
    while True:
        name, digest, files = _remembered(desk, actor, import_id)
        look = _look(desk, actor, name, files, [])
        if look.preview.faults:
            raise FaultyInput(look.preview.faults)
        if look.digest != digest:
            with desk.store.look() as work:
                _refuse_again(work, actor, import_id)  # what has changed may be that somebody has just stored it
            _remember(desk, actor, look, files)
            raise Overtaken(look.preview)
        hidden = hidden_from(desk, actor)
        try:
            return _store(desk, actor, import_id, look, hidden, once)
        except _Moved:
            continue  # somebody changed the book between look and transaction: is the promise still good?


class _Moved(Exception):
    """The book's revision is not the one looked at."""


def _store(
    desk: Desk,
    actor: Actor,
    import_id: str,
    look: _Look,
    hidden: Hidden,
    once: Once | None,
) -> Stored:
    with desk.store.begin() as work:
        answer = settled(work, actor, once)
        if answer is not None:
            return Stored(**answer)
        _refuse_again(work, actor, import_id)
        if work.previews.get(import_id) is None:
            raise NotFound(f"no preview {import_id[:40]} of yours any more; send the files again")
        preview = look.preview
        changing = {c.line_id for c in preview.changed_lines if not c.closed}
        counts = dict(zip(COUNTED, (len(preview.new_lines), len(changing), len(look.models)), strict=True))
        if work.revision.now() != look.revision:
            raise _Moved
        version = look.network_version
        if look.network is not None:
            version = keep_edition(work, desk, actor, look.network, version, f"imported: {preview.name}").version
        leave_to_others(work, look.models, hidden.pairs)
        kept_models = {m.name: m for m in work.models.all()}
        secret = hidden.models | {own_name(*pair) for pair in hidden.pairs}
        own = sorted(name for name in kept_models if "/" in name and name not in secret)
        for name in sorted(look.models):
            content = look.models[name]
            for kept in (name, *(o for o in own if o.split("/", 1)[1] == name)):
                codes = codes_brought(actor, kept_models.get(kept), hidden.models)
                model = ModelRecord(digest_of(content), kept, len(content), desk.clock(), codes)
                work.models.put(model, content)
        new = set(preview.new_lines)
        work.lines.add(r for r in look.records if r.line_id in new)
        before = work.lines.several(changing)
        changed = [r for r in look.records if r.line_id in changing]
        for record in changed:
            work.lines.change(record, record.version)
        work.lines.remember(name for r in changed if r.line_id in before for name in names_lost(before[r.line_id], r))
        mark_models(work, {*look.models, *look.models_before, *(r.model for r in look.records)})
        work.previews.drop(import_id)
        revision = book_changed(work, desk, actor, IMPORT, preview.name, counts)
        # Whoever raises the revision is alone until the end of the transaction; nobody may have come between.
        if revision != look.revision + (2 if look.network is not None else 1):
            raise _Moved
        same = len(look.records) - counts["lines_added"] - counts["lines_changed"]
        stored = Stored(
            import_id,
            counts["lines_added"],
            counts["lines_changed"],
            same,
            counts["models"],
            version or None,
            revision,
            sum(r.line_id in new and not may_see_code(actor, r.export_control) for r in look.records),
        )
        keep(work, desk, actor, once, asdict(stored))
        keep(work, desk, actor, Once(_stored_key(import_id), import_id), asdict(stored))
        return stored
