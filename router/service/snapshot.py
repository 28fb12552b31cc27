"""The book at one revision as a scenario to plan: decisions of planners and events of the floor worked in."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from router.domain.machines import Machine, Maintenance
from router.domain.network import Network, Scenario
from router.domain.orders import OrderLine
from router.formats.network_file import NetworkReading
from router.formats.scenario_folder import fingerprint
from router.kernel.faults import FaultyInput, NotFound
from router.service.cells import csv_of, own_name, read_kept
from router.service.desk import Desk
from router.service.floor import Floor, FloorMachine, MachineState, played
from router.service.models import content_of, parts_of
from router.service.network import IN_THE_BOOK, NO_NETWORK, newest_network, reading_of
from router.service.ports import Work
from router.service.records import EventRecord, LineRecord, LineStanding, NetworkRecord

NO_LINES = "no open line in the book; import an order book, or release lines that are held"
DOWN_WITHOUT_END = timedelta(days=14)
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
        revision, now = work.revision.now(), planning_moment(desk, work)
    found: Snapshot = desk.memory.get(("snapshot", revision, now), lambda: _make(desk, now))
    return found


def planning_moment(desk: Desk, work: Work) -> datetime | None:
    """The clock's minute where plans begin from the clock; None where the network or the floor says when."""
    newest = newest_network(work, desk)
    return None if newest is None else clock_moment(desk, newest.network)


def clock_moment(desk: Desk, network: Network) -> datetime | None:
    """The clock's minute where plans of a network begin from the clock, else None."""
    return desk.clock().replace(second=0, microsecond=0) if desk.by_the_clock(network) else None


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
    static, orders = as_decided(reading_of(desk, network), wanted, shas)
    floor = played(events)
    begun = floor.pieces()
    open_lines = []
    for line in orders:
        left = line.quantity - begun[line.line_id]
        if left <= 0:
            left_out[line.line_id] = "all its pieces are on builds that have started"
            continue
        open_lines.append(replace(line, quantity=left))
    if not open_lines:
        raise NotFound(NO_LINES)
    parts = parts_of(desk, open_lines, shas, static.overhang_deg)
    live = as_it_runs(static, floor, now)
    return Snapshot(
        Scenario(live, tuple(open_lines), parts, fingerprint_of(network, wanted, shas, events, now)),
        revision,
        network.version,
        {name: shas[name] for name in parts},
        left_out,
    )


def as_decided(
    reading: NetworkReading, wanted: Sequence[LineRecord], shas: Mapping[str, str]
) -> tuple[Network, list[OrderLine]]:
    """The network and the lines as kept: each at the site it is pinned to, with a model of its own where it has one.

    ``shas``: content by kept name. Raises FaultyInput for what cannot be read.
    """
    orders, faults = read_kept(wanted, IN_THE_BOOK, reading, shas)
    if faults or reading.network is None:
        raise FaultyInput([*reading.faults, *faults])
    pins = {x.line_id: x.pinned_site for x in wanted}
    found = []
    for line in orders.values():
        site, own = pins[line.line_id], own_name(line.line_id, line.model)
        approved = line.approved_sites if site is None else (site,)
        found.append(replace(line, approved_sites=approved, model=own if own in shas else line.model))
    return reading.network, found


def _why_out(line: LineRecord) -> str:
    return f"held: {line.why_held}" if line.standing is LineStanding.HELD else line.standing.value


def as_it_runs(network: Network, floor: Floor, now: datetime | None) -> Network:
    """The network at the moment plans begin from, its machines as the floor left them."""
    moments = [m for m in (now or network.now, floor.latest) if m is not None]
    moment = max(moments).replace(second=0, microsecond=0)
    return replace(network, now=moment, machines=tuple(_machine(m, floor, moment) for m in network.machines))


def _machine(machine: Machine, floor: Floor, now: datetime) -> Machine:
    known = floor.machines.get(machine.machine_id, FloorMachine())
    if known.last is not None:
        free_from = max(machine.available_from, known.last.free_at)
        machine = replace(machine, available_from=free_from, loaded_alloy_id=known.last.alloy_id)
    if known.state is MachineState.DOWN and known.down_from is not None:
        end = known.down_until or known.down_from + DOWN_WITHOUT_END
        if end > now:
            stop = Maintenance(known.down_from, end, "down")
            machine = replace(machine, maintenance=tuple(sorted((*machine.maintenance, stop), key=lambda m: m.start)))
    return machine


def fingerprint_of(
    network: NetworkRecord,
    lines: Sequence[LineRecord],
    shas: Mapping[str, str],
    events: Sequence[EventRecord],
    now: datetime | None,
) -> str:
    """Equal for scenarios made of the same network, lines, models, events and moment."""
    decided = [(x.line_id, x.pinned_site) for x in lines if x.pinned_site]
    models = sorted({(x.model, content_of(shas, x.line_id, x.model)) for x in lines})
    extra = json.dumps([decided, models, [e.event_id for e in events], now.isoformat() if now else None])
    rows = csv_of(x.cells for x in lines)
    return hashlib.sha256(fingerprint({"n": network.raw, "o": rows, "x": extra.encode()}).encode()).hexdigest()
