"""The state machines of the floor, as tables, and how things stand after what was recorded.

Events are played in the order in which they occurred, whenever they were recorded; withdrawn ones are left out. One
that no row of a table allows changes nothing: it is named, and nothing new is taken that would add to those.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum
from typing import TypeVar

from router.domain.plan import Plan
from router.service.desk import Desk
from router.service.ports import Work
from router.service.records import EventKind, EventRecord


class BuildState(StrEnum):
    """Where a build stands."""

    WAITING = "not started"
    RUNNING = "running"
    FINISHED = "finished"
    FAILED = "failed"


class MachineState(StrEnum):
    """Whether a machine can be used; what runs on it is told by the builds."""

    UP = "up"
    DOWN = "down"


BUILDS: Mapping[tuple[BuildState, EventKind], BuildState] = {
    (BuildState.WAITING, EventKind.BUILD_STARTED): BuildState.RUNNING,
    (BuildState.RUNNING, EventKind.PIECES_SCRAPPED): BuildState.RUNNING,
    (BuildState.RUNNING, EventKind.BUILD_FINISHED): BuildState.FINISHED,
    (BuildState.RUNNING, EventKind.BUILD_FAILED): BuildState.FAILED,
    (BuildState.FINISHED, EventKind.PIECES_SCRAPPED): BuildState.FINISHED,
    (BuildState.FAILED, EventKind.BUILD_STARTED): BuildState.RUNNING,
}
"""State of a build after an event; what has no row cannot be. A build starts only on a machine on which no other runs
and that is not down; a finished build never fails: its pieces are scrapped."""

MACHINES: Mapping[tuple[MachineState, EventKind], MachineState] = {
    (MachineState.UP, EventKind.MACHINE_DOWN): MachineState.DOWN,
    (MachineState.DOWN, EventKind.MACHINE_DOWN): MachineState.DOWN,
    (MachineState.DOWN, EventKind.MACHINE_UP): MachineState.UP,
}
"""State of a machine after an event. Down again tells anew until when."""

_State = TypeVar("_State", BuildState, MachineState)

OF_BUILDS = frozenset(kind for _, kind in BUILDS)
OF_MACHINES = frozenset(kind for _, kind in MACHINES)


@dataclass(frozen=True, slots=True)
class FloorBuild:
    """A build that was started at least once."""

    lasting_id: str
    name: str
    """What it was called in the plan under which it started."""
    plan_id: int | None
    state: BuildState
    since: datetime
    machine_id: str
    site_id: str | None
    alloy_id: str
    free_at: datetime
    """When the machine is free again: as planned while it runs, then as it was."""
    pieces: Mapping[str, int]
    """Pieces by line that are on it or came off it sound."""
    planned_start: datetime | None = None
    """When it was to start by the plan under which it did; None for what was recorded before that was kept."""

    @property
    def holds(self) -> bool:
        """Whether its pieces are made or being made."""
        return self.state in (BuildState.RUNNING, BuildState.FINISHED)


@dataclass(frozen=True, slots=True)
class FloorMachine:
    """A machine of which something was recorded."""

    state: MachineState = MachineState.UP
    down_from: datetime | None = None
    down_until: datetime | None = None
    """None: nobody knows."""
    last: FloorBuild | None = None
    """What was started on it last."""

    def down_at(self, moment: datetime) -> bool:
        """Whether it is down then, as far as was said."""
        return self.state is MachineState.DOWN and (self.down_until is None or moment < self.down_until)


@dataclass(frozen=True, slots=True)
class Misfit:
    """An event that the tables do not allow where it lies."""

    event: EventRecord
    why: str
    """What it is, what stands against it, what would be right."""


@dataclass(slots=True)
class Floor:
    """How things stand."""

    builds: dict[str, FloorBuild] = field(default_factory=dict)
    """Started builds by lasting id."""
    machines: dict[str, FloorMachine] = field(default_factory=dict)
    sent: set[tuple[str, ...]] = field(default_factory=set)
    """Shipments by name and builds."""
    latest: datetime | None = None
    misfits: list[Misfit] = field(default_factory=list)

    def pieces(self) -> Counter[str]:
        """Pieces by line that need not be planned any more."""
        found: Counter[str] = Counter()
        for build in self.builds.values():
            if build.holds:
                found.update(build.pieces)
        return found


def standing_events(events: Iterable[EventRecord]) -> list[EventRecord]:
    """Events that were not withdrawn, in the order in which they occurred."""
    events = list(events)
    withdrawn = {withdraws(e) for e in events}
    kept = [e for e in events if e.kind is not EventKind.EVENT_WITHDRAWN and e.event_id not in withdrawn]
    return sorted(kept, key=lambda e: (e.occurred_at, e.event_id))


def withdraws(event: EventRecord) -> int | None:
    """The event a correcting event withdraws."""
    return int(event.details["withdraws"]) if event.kind is EventKind.EVENT_WITHDRAWN else None


def floor_now(desk: Desk, work: Work) -> Floor:
    """The floor as it stands, remembered until another event is recorded; for reading only.

    Not after an event was added in the same transaction, which may come to nothing.
    """
    floor: Floor = desk.memory.get(("floor", work.events.last_id()), lambda: played(work.events.all()))
    return floor


def play_ahead(desk: Desk) -> None:
    """Have the floor remembered before a transaction others wait for; played again in it if it has changed by then."""
    with desk.store.look() as work:
        floor_now(desk, work)


def played(events: Iterable[EventRecord]) -> Floor:
    """The floor after all events."""
    floor = Floor()
    for event in standing_events(events):
        if event.kind in OF_MACHINES:
            why = _machine(floor, event)
        elif event.kind in OF_BUILDS:
            why = _build(floor, event)
        else:
            why = _shipment(floor, event)
        if why:
            floor.misfits.append(Misfit(event, why))
        else:
            floor.latest = event.occurred_at
    return floor


def _machine(floor: Floor, event: EventRecord) -> str:
    machine = floor.machines.get(event.subject, FloorMachine())
    after = MACHINES.get((machine.state, event.kind))
    if after is None:
        return (
            f"machine {event.subject}: {event.kind.value} at {_at(event)} cannot be, it is {machine.state.value} then; "
            + _can_follow(MACHINES, machine.state)
        )
    until = event.details.get("until")
    down = after is MachineState.DOWN
    floor.machines[event.subject] = replace(
        machine,
        state=after,
        down_from=event.occurred_at if down else None,
        down_until=datetime.fromisoformat(until) if down and until else None,
    )
    return ""


def _build(floor: Floor, event: EventRecord) -> str:
    key = event.lasting_id or event.subject
    known = floor.builds.get(key)
    state = known.state if known else BuildState.WAITING
    after = BUILDS.get((state, event.kind))
    if after is None:
        since = f" since {known.since:%Y-%m-%d %H:%M %Z}" if known else ""
        return (
            f"build {event.subject}: {event.kind.value} at {_at(event)} cannot follow, it is {state.value}{since}; "
            + _can_follow(BUILDS, state)
        )
    if event.kind is EventKind.BUILD_STARTED:
        return _start(floor, key, event)
    assert known is not None  # only a start leads out of waiting
    if event.kind is EventKind.PIECES_SCRAPPED:
        left = Counter(known.pieces)
        left.subtract(_pieces(event))
        if min(left.values(), default=0) < 0:
            return f"build {event.subject}: more pieces scrapped at {_at(event)} than are on it; at most what is left"
        floor.builds[key] = replace(known, state=after, pieces=+left)
    else:
        floor.builds[key] = replace(known, state=after, since=event.occurred_at, free_at=event.occurred_at)
    machine = floor.machines[known.machine_id]
    if machine.last is not None and machine.last.lasting_id == key:
        floor.machines[known.machine_id] = replace(machine, last=floor.builds[key])
    return ""


def _start(floor: Floor, key: str, event: EventRecord) -> str:
    told = event.details
    machine_id = str(told["machine_id"])
    machine = floor.machines.get(machine_id, FloorMachine())
    if machine.last is not None and machine.last.state is BuildState.RUNNING:
        return (
            f"build {event.subject}: {event.kind.value} at {_at(event)} cannot be, {machine_id} runs build "
            f"{machine.last.name} since {machine.last.since:%Y-%m-%d %H:%M %Z}; record first that it finished or failed"
        )
    if machine.down_at(event.occurred_at):
        assert machine.down_from is not None
        return (
            f"build {event.subject}: {event.kind.value} at {_at(event)} cannot be, {machine_id} is down since "
            f"{machine.down_from:%Y-%m-%d %H:%M %Z}; record first that it is up"
        )
    free_at = datetime.fromisoformat(told["free_at"])
    build = FloorBuild(
        lasting_id=key,
        name=event.subject,
        plan_id=told.get("plan_id"),
        state=BuildState.RUNNING,
        since=event.occurred_at,
        machine_id=machine_id,
        site_id=event.site_id,
        alloy_id=str(told["alloy_id"]),
        free_at=free_at,
        pieces=_pieces(event),
        planned_start=datetime.fromisoformat(told["planned_start"]) if told.get("planned_start") else None,
    )
    floor.builds[key] = build
    floor.machines[machine_id] = replace(machine, last=build)
    return ""


def _shipment(floor: Floor, event: EventRecord) -> str:
    needed = [str(b) for b in event.details.get("builds", ())]
    for key in needed:
        build = floor.builds.get(key)
        if build is None or build.state is not BuildState.FINISHED:
            name = build.name if build else key
            state = (build.state if build else BuildState.WAITING).value
            return (
                f"shipment {event.subject}: sent at {_at(event)} cannot be, build {name} of it is {state} then; "
                "record first that it finished"
            )
    key_of_it = (event.subject, *sorted(needed))
    if key_of_it in floor.sent:
        return (
            f"shipment {event.subject}: sent at {_at(event)} cannot follow, it is sent already; a shipment leaves once"
        )
    floor.sent.add(key_of_it)
    return ""


def _can_follow(table: Mapping[tuple[_State, EventKind], _State], state: _State) -> str:
    allowed = [kind.value for known, kind in table if known is state]
    return f"what can: {' or '.join(allowed)}" if allowed else "nothing can follow any more"


def _pieces(event: EventRecord) -> dict[str, int]:
    return {str(line): int(n) for line, n in event.details["pieces"].items()}


def _at(event: EventRecord) -> str:
    return f"{event.occurred_at:%Y-%m-%d %H:%M %Z}"


def new_misfits(before: Floor, after: Floor) -> list[Misfit]:
    """Misfits of the second that the first has not."""
    known = {m.event.event_id for m in before.misfits}
    return [m for m in after.misfits if m.event.event_id not in known]


def begun_of(floor: Floor, plan: Plan) -> dict[str, FloorBuild]:
    """Builds of a plan that have started and stand, by their name in the plan."""
    known = {b.build_id: floor.builds[b.lasting_id] for b in plan.builds if b.lasting_id in floor.builds}
    return {name: build for name, build in known.items() if build.holds}


def against_floor(plan: Plan, floor: Floor, ordered: Mapping[str, int]) -> list[str]:
    """Why a plan cannot be worked to as things stand: started builds elsewhere or at another time, pieces built twice.

    ``ordered``: pieces of each line in the book.
    """
    found = []
    planned: Counter[str] = Counter()
    known = {b.lasting_id for b in plan.builds if b.lasting_id}
    for build in plan.builds:
        planned.update(build.pieces_by_line())
        begun = floor.builds.get(build.lasting_id)
        if begun is not None and begun.holds and begun.machine_id != build.machine_id:
            found.append(
                f"build {build.build_id} is {begun.state.value} on {begun.machine_id}; this plan has it on "
                f"{build.machine_id}"
            )
        elif begun is not None and begun.holds and begun.planned_start not in (None, build.load_start):
            found.append(
                f"build {build.build_id} is {begun.state.value} since {begun.since:%Y-%m-%d %H:%M %Z}, planned for "
                f"{begun.planned_start:%Y-%m-%d %H:%M %Z}; this plan has it at {build.load_start:%Y-%m-%d %H:%M %Z}"
            )
    outside: Counter[str] = Counter()
    by_line: dict[str, list[str]] = {}
    for begun in floor.builds.values():
        if begun.holds and begun.lasting_id not in known:
            outside.update(begun.pieces)
            for line_id in begun.pieces:
                by_line.setdefault(line_id, []).append(begun.name)
    for line_id, pieces in sorted(outside.items()):
        if pieces and planned[line_id] and planned[line_id] + pieces > ordered.get(line_id, 0):
            found.append(
                f"line {line_id}: {pieces} pieces are on builds that started under another plan "
                f"({', '.join(by_line[line_id])}), and this one builds {planned[line_id]} of "
                f"{ordered.get(line_id, 0)} again"
            )
    return found
