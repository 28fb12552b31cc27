"""The network: its editions, looking for faults in a new one, saving it, and changing one field of it."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from router.domain.network import Network
from router.formats.network_file import NETWORK_FILE, NetworkReading, inspect_network
from router.formats.yaml_reader import DEEPEST
from router.kernel.faults import Fault, FaultyInput, NotFound, Stale
from router.service.cells import read_kept
from router.service.changes import book_changed
from router.service.desk import Desk
from router.service.ports import Work
from router.service.records import Actor, LineRecord, NetworkHead, NetworkRecord
from router.service.rights import Operation, require
from router.service.said import said
from router.service.visible import RESTRICTED_TEXT, hidden_lines, hidden_names, told

IN_THE_BOOK = "orders in the book"
NO_NETWORK = "no network in the book yet; import a scenario folder, or load the demonstration"


@dataclass(frozen=True, slots=True)
class CurrentNetwork:
    """The newest edition and what it says."""

    record: NetworkRecord
    network: Network


def current_network(desk: Desk, actor: Actor) -> CurrentNetwork:
    """The newest edition. Raises NotFound while the book has none."""
    require(actor, Operation.SEE_NETWORK)
    with desk.store.look() as work:
        newest = network_there(work, desk)
        record = work.networks.get(newest.version)
    assert record is not None
    return CurrentNetwork(replace(record, note=told(record.note, hidden_names(desk, actor))), newest.network)


def reading_of(desk: Desk, record: NetworkRecord) -> NetworkReading:
    """What a kept edition says, remembered by its content."""
    reading: NetworkReading = desk.memory.get(("network", record.sha256), lambda: inspect_network(record.raw))
    return reading


@dataclass(frozen=True, slots=True)
class NewestNetwork:
    """The newest edition as it reads, without its text."""

    version: int
    reading: NetworkReading

    @property
    def network(self) -> Network:
        """What it says; only faultless editions are kept."""
        assert self.reading.network is not None
        return self.reading.network


def newest_network(work: Work, desk: Desk) -> NewestNetwork | None:
    """The newest edition; its text, which may be long, is read only where what it says is not remembered."""
    head = work.networks.head()
    if head is None:
        return None

    def read() -> NetworkReading:
        record = work.networks.get(head.version)
        assert record is not None
        return inspect_network(record.raw)

    return NewestNetwork(head.version, desk.memory.get(("network", head.sha256), read))


def network_there(work: Work, desk: Desk) -> NewestNetwork:
    """The newest edition. Raises NotFound, saying what to do, while there is none."""
    newest = newest_network(work, desk)
    if newest is None:
        raise NotFound(NO_NETWORK)
    return newest


def network_in_use(desk: Desk, actor: Actor) -> Network:
    """What the newest edition says. Raises NotFound while the book has none."""
    require(actor, Operation.SEE_NETWORK)
    with desk.store.look() as work:
        return network_there(work, desk).network


def editions(desk: Desk, actor: Actor, limit: int = 50, before: int | None = None) -> list[NetworkHead]:
    """Editions without their texts, newest first, below number ``before``."""
    require(actor, Operation.SEE_NETWORK)
    with desk.store.look() as work:
        found = work.networks.heads(desk.limits.page(limit), before)
    names = hidden_names(desk, actor)
    return [replace(x, note=told(x.note, names)) for x in found]


def edition(desk: Desk, actor: Actor, version: int) -> NetworkRecord:
    """One edition."""
    require(actor, Operation.SEE_NETWORK)
    with desk.store.look() as work:
        record = work.networks.get(version)
    if record is None:
        raise NotFound(f"no edition {version} of the network")
    return replace(record, note=told(record.note, hidden_names(desk, actor)))


def check_network(desk: Desk, actor: Actor, raw: bytes) -> tuple[Fault, ...]:
    """Every fault of a network file, also what it would break in the order book. Nothing is stored."""
    require(actor, Operation.CHANGE_NETWORK)
    hidden = hidden_lines(desk, actor)
    with desk.store.look() as work:
        return tuple(_faults(work, raw, hidden))


def save_network(desk: Desk, actor: Actor, raw: bytes, seen_version: int, note: str) -> NetworkRecord:
    """Keep the next edition (``seen_version`` 0: the first). Raises FaultyInput with every fault, Conflict if stale."""
    require(actor, Operation.CHANGE_NETWORK)
    note = said(note, "network", "note")
    hidden = hidden_lines(desk, actor)
    with desk.store.look() as work:
        revision, faults = work.revision.now(), _faults(work, raw, hidden)
    if faults:
        raise FaultyInput(faults)
    with desk.store.begin() as work:
        work.revision.hold()  # the book it was looked at beside is the book it is kept beside
        if work.revision.now() != revision:
            faults = _faults(work, raw, hidden)
            if faults:
                raise FaultyInput(faults)
        return keep_edition(work, desk, actor, raw, seen_version, note)


def keep_edition(work: Work, desk: Desk, actor: Actor, raw: bytes, seen_version: int, note: str) -> NetworkRecord:
    """Keep a faultless edition in a transaction under way."""
    latest = work.networks.latest()
    version = latest.version if latest else 0
    if version != seen_version:
        raise Stale(f"the network has changed since (edition {version}, seen {seen_version}); look again")
    digest = hashlib.sha256(raw).hexdigest()
    record = NetworkRecord(version + 1, raw, digest, desk.clock(), actor.name, note)
    work.networks.add(record)
    book_changed(work, desk, actor, "save network", f"edition {record.version}", {"note": note})
    return record


def _faults(work: Work, raw: bytes, hidden: Collection[str]) -> list[Fault]:
    reading = inspect_network(raw)
    if reading.network is None:
        return list(reading.faults)
    return faults_in_book(work.lines.all(), reading, [m.name for m in work.models.all()], hidden)


def faults_in_book(
    lines: Iterable[LineRecord],
    reading: NetworkReading,
    models: Collection[str],
    hidden: Collection[str],
    sent: Collection[str] = (),
) -> list[Fault]:
    """What a sound network would break in the order book: lines it cannot read, pins to sites it has not.

    ``sent``: lines that an import brings anew; they are read as they come, but keep their pins. Of ``hidden`` lines
    it is told only that there are faults: how many would tell how many lines want what the network leaves out.
    """
    left = [x for x in lines if not x.standing.closed]
    faults: list[Fault] = []
    for secret in (False, True):
        own = [x for x in left if (x.line_id in hidden) is secret]
        _, found = read_kept([x for x in own if x.line_id not in sent], IN_THE_BOOK, reading, models)
        found += [
            Fault(IN_THE_BOOK, x.line_id, "pin", f"pinned to '{x.pinned_site}'", "a site that stays, or no pin")
            for x in own
            if x.pinned_site is not None and x.pinned_site not in reading.site_names
        ]
        if secret and found:
            want = "a network that leaves it sound; ask somebody who is cleared"
            found = [Fault(IN_THE_BOOK, "", "", f"faults {RESTRICTED_TEXT}", want)]
        faults += found
    return faults


def with_field(raw: bytes, path: Sequence[str | int], value: Any) -> bytes:
    """The file with one field changed; comments and order stay. ``path`` e.g. ``("machines", "M1", "rate_per_h")``.

    Entries of a list are named by their ``id``. Raises NotFound for a place that is not there, FaultyInput for a value
    nested deeper than any network file is.
    """
    if not _is_shallow(value, DEEPEST - len(path)):
        want = f"a value that leaves the file at most {DEEPEST} levels deep"
        raise FaultyInput([Fault(NETWORK_FILE, ".".join(map(str, path)), "value", "levels upon levels", want)])
    yaml = YAML()
    yaml.preserve_quotes = True
    yaml.width = 4096
    try:
        document = yaml.load(raw.decode())
    except (YAMLError, UnicodeDecodeError) as wrong:
        raise FaultyInput([Fault(NETWORK_FILE, "", "", str(wrong)[:120], "YAML that parses")]) from wrong
    place: Any = document
    for step in path[:-1]:
        place = _step(place, step, path)
    if not isinstance(place, dict):
        raise NotFound(f"{'.'.join(map(str, path))}: no such place in the network")
    if value is None:
        place.pop(path[-1], None)
    else:
        place[path[-1]] = value
    out = io.BytesIO()
    yaml.dump(document, out)
    return out.getvalue()


def _is_shallow(value: Any, levels: int) -> bool:
    """Whether lists and mappings lie in one another so many times at the most."""
    layer = [value]
    for _ in range(max(0, levels) + 1):
        layer = [x for v in layer if isinstance(v, dict | list) for x in (v.values() if isinstance(v, dict) else v)]
        if not layer:
            return True
    return False


def _step(place: Any, step: str | int, path: Sequence[str | int]) -> Any:
    if isinstance(place, dict) and step in place:
        return place[step]
    if isinstance(place, list):
        for entry in place:
            if isinstance(entry, dict) and str(entry.get("id")) == str(step):
                return entry
    raise NotFound(f"{'.'.join(map(str, path))}: no such place in the network")
