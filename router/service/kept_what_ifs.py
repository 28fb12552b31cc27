"""What-if files kept in the service: looked at, compared in words, kept, changed, deleted.

A text that holds a name its reader must not learn (``visible.py``) is not there for them, and neither is one that goes
on from it.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from router.domain.network import Network
from router.formats.yaml_reader import read_yaml
from router.kernel.faults import Conflict, Fault, FaultyInput, NotFound, TooMuch
from router.service.changes import noted
from router.service.desk import Desk
from router.service.network import NO_NETWORK, newest_network
from router.service.ports import Work
from router.service.receipts import Once, earlier, keep
from router.service.records import Actor, WhatIfRecord
from router.service.rights import Operation, require
from router.service.visible import hidden_names, hiding, names_any
from router.whatif.changes import WhatIf, difference, goes_on_from, look_at

MOST_BYTES = 100_000
MOST_KEPT = 500
FILE_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9_-]{0,80}\.ya?ml$"
_FILE = re.compile(FILE_PATTERN)


@dataclass(frozen=True, slots=True)
class WhatIfView:
    """A what-if as it reads today."""

    what_if: WhatIf | None
    """None when the text cannot be read."""
    faults: tuple[Fault, ...]
    """Of the text, or of changes that do not fit the network of today."""
    network: Network | None
    """That of today, after which sites are called."""

    @property
    def name(self) -> str:
        """What it is called."""
        return self.what_if.name if self.what_if else ""

    @property
    def changes(self) -> tuple[str, ...]:
        """Every change in words, those it goes on from first."""
        return self.what_if.explained(self.network) if self.what_if else ()


@dataclass(frozen=True, slots=True)
class KeptWhatIf:
    """A kept file and what it says."""

    record: WhatIfRecord
    view: WhatIfView


@dataclass(frozen=True, slots=True)
class WhatIfDifference:
    """What only one of two what-ifs changes, in words."""

    one: KeptWhatIf
    other: KeptWhatIf
    only_one: tuple[str, ...]
    only_other: tuple[str, ...]


def list_what_ifs(desk: Desk, actor: Actor) -> list[KeptWhatIf]:
    """All that the actor may see, by file name."""
    require(actor, Operation.SEE_WHAT_IFS)
    with desk.store.look() as work:
        network, kept = _network(work, desk), work.what_ifs.all()
    seen = _seen(kept, hidden_names(desk, actor))
    texts = {x.file: x.raw for x in seen}
    return [KeptWhatIf(x, _view(x.file, texts, network)) for x in seen]


def get_what_if(desk: Desk, actor: Actor, what_if_id: int) -> KeptWhatIf:
    """One of them. Raises NotFound, also for one the actor must not read."""
    require(actor, Operation.SEE_WHAT_IFS)
    (found,), _ = what_ifs_with_texts(desk, actor, [what_if_id])
    return found


def what_if_named(desk: Desk, actor: Actor, file: str) -> WhatIfRecord | None:
    """The one kept under a file name, as far as the actor may see it."""
    require(actor, Operation.SEE_WHAT_IFS)
    with desk.store.look() as work:
        record = work.what_ifs.named(file)
        texts = {} if record is None else _texts_below(work, record)
    return None if _any_holds_name(texts, hidden_names(desk, actor)) else record


def what_ifs_with_texts(
    desk: Desk, actor: Actor, what_if_ids: Iterable[int]
) -> tuple[list[KeptWhatIf], dict[str, bytes]]:
    """Some what-ifs, and the texts of these and of all they go on from by file name, as of one moment.

    Raises NotFound.
    """
    require(actor, Operation.SEE_WHAT_IFS)
    texts: dict[str, bytes] = {}
    records: list[WhatIfRecord] = []
    with desk.store.look() as work:
        network = _network(work, desk)
        found = [(x, work.what_ifs.get(x)) for x in what_if_ids]
        below = {x: _texts_below(work, record) for x, record in found if record is not None}
    names = hidden_names(desk, actor)
    for what_if_id, record in found:
        records.append(_there(what_if_id, record, below.get(what_if_id, {}), names))
        texts |= below[what_if_id]
    return [KeptWhatIf(x, _view(x.file, texts, network)) for x in records], texts


def what_if_difference(desk: Desk, actor: Actor, one_id: int, other_id: int) -> WhatIfDifference:
    """What only one of two changes. Raises NotFound, and Conflict while one of them cannot be read."""
    one, other = (get_what_if(desk, actor, x) for x in (one_id, other_id))
    if one.view.what_if is None or other.view.what_if is None:
        unread = one if one.view.what_if is None else other
        raise Conflict(f"{unread.record.file} cannot be read any more; mend it first")
    return WhatIfDifference(one, other, *difference(one.view.what_if, other.view.what_if, one.view.network))


def check_what_if(desk: Desk, actor: Actor, file: str, raw: bytes) -> WhatIfView:
    """What a text would change, and every fault of it. Nothing is stored."""
    require(actor, Operation.KEEP_WHAT_IFS)
    with desk.store.look() as work:
        network, kept = _network(work, desk), work.what_ifs.all()
    return _checked(network, kept, hidden_names(desk, actor), file, raw)


def add_what_if(desk: Desk, actor: Actor, file: str, raw: bytes, once: Once | None = None) -> KeptWhatIf:
    """Keep a new one. Raises FaultyInput with every fault, Conflict for a name that is taken, TooMuch."""
    require(actor, Operation.KEEP_WHAT_IFS)
    with hiding(desk, actor, once) as (work, hidden):
        made = earlier(work, actor, once)
        if made is None:
            kept = _kept(work, desk, actor, hidden.names, file, raw)
            keep(work, desk, actor, once, {"what_if_id": kept.record.what_if_id})
            return kept
    return get_what_if(desk, actor, int(made["what_if_id"]))


def add_what_ifs(
    desk: Desk, actor: Actor, files: Sequence[tuple[str, bytes]], once: Once | None = None
) -> list[KeptWhatIf]:
    """Keep several new ones or none, each after those it goes on from; faults as of ``add_what_if``."""
    require(actor, Operation.KEEP_WHAT_IFS)
    with hiding(desk, actor, once) as (work, hidden):
        made = earlier(work, actor, once)
        if made is None:
            kept = [_kept(work, desk, actor, hidden.names, file, raw) for file, raw in files]
            keep(work, desk, actor, once, {"what_if_ids": [x.record.what_if_id for x in kept]})
            return kept
    return [get_what_if(desk, actor, int(x)) for x in made["what_if_ids"]]


def _kept(work: Work, desk: Desk, actor: Actor, names: frozenset[str], file: str, raw: bytes) -> KeptWhatIf:
    kept = work.what_ifs.all()
    view = _faultless(_checked(_network(work, desk), kept, names, file, raw))
    if any(x.file.casefold() == file.casefold() for x in kept):
        raise Conflict(f"the file name {file} is taken; take another one, or change the one that is kept")
    if len(kept) >= MOST_KEPT:
        raise TooMuch(f"{MOST_KEPT} what-ifs are kept already; delete some first")
    record = work.what_ifs.add(WhatIfRecord(0, file, raw, desk.clock(), actor.name))
    noted(work, desk, actor, "keep what-if", file, _details(record, view))
    return KeptWhatIf(record, view)


def change_what_if(desk: Desk, actor: Actor, what_if_id: int, raw: bytes, seen_version: int) -> KeptWhatIf:
    """Keep another text in its place. Raises FaultyInput with every fault, NotFound, Stale."""
    require(actor, Operation.KEEP_WHAT_IFS)
    with hiding(desk, actor) as (work, hidden):
        before = _one(work, hidden.names, what_if_id)
        network, kept = _network(work, desk), work.what_ifs.all()
        view = _faultless(_checked(network, kept, hidden.names, before.file, raw))
        new = WhatIfRecord(what_if_id, before.file, raw, desk.clock(), actor.name)
        record = work.what_ifs.change(new, seen_version)
        noted(work, desk, actor, "change what-if", record.file, _details(record, view))
    return KeptWhatIf(record, view)


def delete_what_if(desk: Desk, actor: Actor, what_if_id: int, seen_version: int) -> str:
    """Delete it and give its file name; the trail keeps who did. Raises NotFound, Stale, Conflict below another one."""
    require(actor, Operation.KEEP_WHAT_IFS)
    with hiding(desk, actor) as (work, hidden):
        record = _one(work, hidden.names, what_if_id)
        kept = work.what_ifs.all()
        above = [x.file for x in kept if goes_on_from(x.raw) == record.file and x.what_if_id != what_if_id]
        if above:
            seen = {x.file for x in _seen(kept, hidden.names)}
            told = [x for x in above if x in seen] or ["another what-if"]
            raise Conflict(f"{', '.join(told)} goes on from {record.file}; delete or change that first")
        work.what_ifs.drop(what_if_id, seen_version)
        digest = hashlib.sha256(record.raw).hexdigest()
        noted(work, desk, actor, "delete what-if", record.file, {"what_if_id": what_if_id, "sha256": digest})
    return record.file


def _details(record: WhatIfRecord, view: WhatIfView) -> dict[str, object]:
    digest = hashlib.sha256(record.raw).hexdigest()
    return {"what_if_id": record.what_if_id, "version": record.version, "name": view.name, "sha256": digest}


def _faultless(view: WhatIfView) -> WhatIfView:
    if view.faults:
        raise FaultyInput(view.faults)
    return view


def _one(work: Work, names: frozenset[str], what_if_id: int) -> WhatIfRecord:
    """One whose text, and the texts it goes on from, hold no hidden name."""
    record = work.what_ifs.get(what_if_id)
    return _there(what_if_id, record, {} if record is None else _texts_below(work, record), names)


def _there(
    what_if_id: int, record: WhatIfRecord | None, texts: Mapping[str, bytes], names: frozenset[str]
) -> WhatIfRecord:
    """The record, read with its own text and those it goes on from; NotFound where one holds a hidden name."""
    if record is None or _any_holds_name(texts, names):
        raise NotFound(f"no what-if {what_if_id}")
    return record


def _texts_below(work: Work, record: WhatIfRecord) -> dict[str, bytes]:
    """Its own text and those it goes on from, as far as they are kept, by file name."""
    found = {record.file: record.raw}
    on = goes_on_from(record.raw)
    while on is not None and _FILE.fullmatch(on) and on not in found:
        below = work.what_ifs.named(on)
        if below is None:
            break
        found[on] = below.raw
        on = goes_on_from(below.raw)
    return found


def _any_holds_name(texts: Mapping[str, bytes], names: frozenset[str]) -> bool:
    return any(holds_name(file, raw, names) for file, raw in texts.items())


def holds_name(file: str, raw: bytes, names: frozenset[str]) -> bool:
    """Whether a text holds a name as it is written or as it is read: YAML wraps lines and writes letters otherwise."""
    if not names:
        return False
    written = (file, raw.decode("utf-8", "replace"))
    return any(names_any(text, names) for text in (*written, *_texts_in(read_yaml(raw, file).data)))


def _texts_in(data: object) -> Iterator[str]:
    """Every text and number in YAML data, keys too."""
    if isinstance(data, Mapping):
        for key, value in data.items():
            yield str(key)
            yield from _texts_in(value)
    elif isinstance(data, list | tuple):
        for value in data:
            yield from _texts_in(value)
    elif data is not None:
        yield str(data)


def _seen(kept: Sequence[WhatIfRecord], names: frozenset[str]) -> list[WhatIfRecord]:
    """Those whose text, and the texts they go on from, hold no hidden name."""
    gone = {x.file for x in kept if holds_name(x.file, x.raw, names)}
    while True:
        more = {x.file for x in kept if x.file not in gone and goes_on_from(x.raw) in gone} if gone else set()
        if not more:
            return [x for x in kept if x.file not in gone]
        gone |= more


def _network(work: Work, desk: Desk) -> Network | None:
    newest = newest_network(work, desk)
    return None if newest is None else newest.network


def _checked(
    network: Network | None, kept: Sequence[WhatIfRecord], names: frozenset[str], file: str, raw: bytes
) -> WhatIfView:
    """``kept``: every what-if there is, those the reader must not see left out here."""
    if len(raw) > MOST_BYTES:
        raise TooMuch(f"{len(raw)} bytes; a what-if has at most {MOST_BYTES}")
    faults = []
    if not _FILE.fullmatch(file):
        want = "letters, digits, - and _, ending in .yaml, e.g. second-shift.yaml"
        faults.append(Fault("", "what-if", "file", file[:100] or "nothing", want))
    if network is None:
        faults.append(Fault("", "what-if", "", "no network", NO_NETWORK))
    view = _view(file, {x.file: x.raw for x in _seen(kept, names)} | {file: raw}, network)
    return WhatIfView(view.what_if, (*faults, *view.faults), network)


def _view(file: str, texts: Mapping[str, bytes], network: Network | None) -> WhatIfView:
    return WhatIfView(*look_at(file, texts, network), network)
