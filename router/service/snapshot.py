"""The book at one revision as a scenario to plan: decisions of planners and events of the floor worked in."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from router.domain.machines import Machine, Maintenance
from router.domain.network import Network, Scenario
from router.formats.order_book import inspect_orders
from router.formats.scenario_folder import fingerprint
from router.kernel.faults import FaultyInput, NotFound
from router.service.cells import ORDERS_CSV, csv_of
from router.service.desk import Desk
from router.service.models import parts_of
from router.service.network import NO_NETWORK, reading_of
from router.service.records import EventKind, EventRecord, LineRecord, LineStanding, NetworkRecord

NO_LINES = "no open line in the book; import an order book, or release lines that are held"
_DOWN_WITHOUT_END = timedelta(days=14)
"""How long a machine that is down without a stated end is planned around (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A scenario and what it was made from."""

    scenario: Scenario
    book_revision: int
    network_version: int
    models: Mapping[str, str]
    """Content (SHA-256) of each model."""
    left_out: Mapping[str, str]
    """Lines of the book that are not in the scenario, and why."""


def snapshot(desk: Desk) -> Snapshot:
    """The book as it stands. Raises NotFound, saying what to do, while there is nothing to plan."""
    with desk.store.look() as work:
        revision = work.revision.now()
    now = desk.clock().replace(second=0, microsecond=0) if desk.plans_from_now else None
    found: Snapshot = desk.memory.get(("snapshot", revision, now), lambda: _make(desk, now))
    return found


def _make(desk: Desk, now: datetime | None) -> Snapshot:
    with desk.store.look() as work:
        network, lines, events = work.networks.latest(), work.lines.all(), work.events.all()
        shas = {m.name: m.sha256 for m in work.models.all()}
        revision = work.revision.now()
    if network is None:
        raise NotFound(NO_NETWORK)
    left_out = {x.line_id: _why_out(x) for x in lines if x.standing is not LineStanding.OPEN}
    wanted = [x for x in lines if x.standing is LineStanding.OPEN]
    if not wanted:
        raise NotFound(NO_LINES)
    reading = reading_of(desk, network)
    orders = inspect_orders(csv_of(x.cells for x in wanted), ORDERS_CSV, reading, sorted(shas))
    if orders.faults or reading.network is None:
        raise FaultyInput([*reading.faults, *orders.faults])
    floor = _floor(events)
    pins = {x.line_id: x.pinned_site for x in wanted}
    open_lines = []
    for line in orders.lines:
        left = line.quantity - floor.pieces[line.line_id]
        if left <= 0:
            left_out[line.line_id] = "all its pieces are on builds that have started"
            continue
        site = pins[line.line_id]
        approved = line.approved_sites if site is None else (site,)
        open_lines.append(replace(line, quantity=left, approved_sites=approved))
    if not open_lines:
        raise NotFound(NO_LINES)
    parts = parts_of(desk, open_lines, shas, reading.network.overhang_deg)
    live = _as_it_runs(reading.network, floor, now)
    return Snapshot(
        Scenario(live, tuple(open_lines), parts, _fingerprint(network, wanted, shas, events, now)),
        revision,
        network.version,
        {name: shas[name] for name in parts},
        left_out,
    )


def _why_out(line: LineRecord) -> str:
    return f"held: {line.why_held}" if line.standing is LineStanding.HELD else line.standing.value


@dataclass(frozen=True, slots=True)
class _Floor:
    """What events say: pieces that are on started builds, machines that are busy or down, the latest moment."""

    pieces: Counter[str]
    busy: Mapping[str, tuple[datetime, str | None]]
    """Machine: free from, alloy loaded."""
    down: Mapping[str, tuple[datetime, datetime]]
    latest: datetime | None


def _floor(events: Sequence[EventRecord]) -> _Floor:
    running: dict[str, EventRecord] = {}  # the latest start of each build by name; later plans use names again
    on_plate: dict[str, Counter[str]] = {}
    pieces: Counter[str] = Counter()
    busy: dict[str, tuple[datetime, str | None]] = {}
    down: dict[str, tuple[datetime, datetime]] = {}
    for event in sorted(events, key=lambda e: (e.occurred_at, e.event_id)):
        told = event.details
        if event.kind is EventKind.BUILD_STARTED:
            running[event.subject] = event
            on_plate[event.subject] = Counter({line: int(n) for line, n in told["pieces"].items()})
            pieces.update(on_plate[event.subject])
            busy[told["machine_id"]] = (datetime.fromisoformat(told["free_at"]), told["alloy_id"])
        elif event.kind in (EventKind.BUILD_FINISHED, EventKind.BUILD_FAILED) and event.subject in running:
            begun = running[event.subject].details
            busy[begun["machine_id"]] = (event.occurred_at, begun["alloy_id"])
            if event.kind is EventKind.BUILD_FAILED:
                pieces.subtract(on_plate.pop(event.subject))
        elif event.kind is EventKind.PIECES_SCRAPPED and event.subject in on_plate:
            scrapped = {line: int(n) for line, n in told["pieces"].items()}
            on_plate[event.subject].subtract(scrapped)
            pieces.subtract(scrapped)
        elif event.kind is EventKind.MACHINE_DOWN:
            until = told.get("until")
            end = datetime.fromisoformat(until) if until else event.occurred_at + _DOWN_WITHOUT_END
            down[event.subject] = (event.occurred_at, end)
        elif event.kind is EventKind.MACHINE_UP:
            down.pop(event.subject, None)
    return _Floor(pieces, busy, down, max((e.occurred_at for e in events), default=None))


def _as_it_runs(network: Network, floor: _Floor, now: datetime | None) -> Network:
    moments = [m for m in (now or network.now, floor.latest) if m is not None]
    moment = max(moments).replace(second=0, microsecond=0)
    return replace(network, now=moment, machines=tuple(_machine(m, floor, moment) for m in network.machines))


def _machine(machine: Machine, floor: _Floor, now: datetime) -> Machine:
    if machine.machine_id in floor.busy:
        free_at, alloy_id = floor.busy[machine.machine_id]
        machine = replace(machine, available_from=max(machine.available_from, free_at), loaded_alloy_id=alloy_id)
    if machine.machine_id in floor.down:
        start, end = floor.down[machine.machine_id]
        if end > now:
            stop = Maintenance(start, end, "down")
            machine = replace(machine, maintenance=tuple(sorted((*machine.maintenance, stop), key=lambda m: m.start)))
    return machine


def _fingerprint(
    network: NetworkRecord,
    lines: Sequence[LineRecord],
    shas: Mapping[str, str],
    events: Sequence[EventRecord],
    now: datetime | None,
) -> str:
    decided = [(x.line_id, x.pinned_site) for x in lines if x.pinned_site]
    models = sorted({(x.model, shas[x.model]) for x in lines})
    extra = json.dumps([decided, models, [e.event_id for e in events], now.isoformat() if now else None])
    rows = csv_of(x.cells for x in lines)
    return hashlib.sha256(fingerprint({"n": network.raw, "o": rows, "x": extra.encode()}).encode()).hexdigest()
