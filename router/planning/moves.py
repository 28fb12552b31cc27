"""Moving by hand: a build to another machine or place in its queue, a line to another plate; all behind retimed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from router.domain.plan import Plan
from router.kernel.faults import NotFound
from router.nesting import Nest
from router.planning.live import LivePlan
from router.planning.plate_state import Item, PlateState
from router.planning.problem import Problem
from router.planning.publish import publish
from router.planning.removal import remove
from router.planning.state import Undo
from router.planning.taken_up import oriented

BY_HAND = "moved by hand"
NOT_RUN = "the queue cannot be run so: a change of alloy that is never made, a credential that lapses, or a calendar"


@dataclass(frozen=True, slots=True)
class DateChange:
    """A line that arrives on another day."""

    line_id: str
    before: date
    after: date
    late_days_before: int
    late_days_after: int


@dataclass(frozen=True, slots=True)
class Moved:
    """What a move would make of the plan, or why it cannot be."""

    plan: Plan | None
    reasons: tuple[str, ...]
    difference_cents: int
    """Change of the landed cost of the whole plan."""
    dates: tuple[DateChange, ...]


def move_build(live: LivePlan, build_id: str, machine_id: str, after_build_id: str | None) -> Moved:
    """The plan with a build behind ``after_build_id`` on a machine (None: first). The live plan stays as it is.

    Raises NotFound for names that are not there. A move that cannot be comes back with reasons.
    """
    problem, state = live.problem, live.state
    plate_id = _plate_of(live, build_id)
    target = next((k for k, m in enumerate(problem.machines) if m.machine_id == machine_id), None)
    if target is None:
        raise NotFound(f"no machine {machine_id!r}")
    plate = state.plates[plate_id]
    queue = [p for p in state.sequence[target] if p != plate_id]
    place = 0
    if after_build_id is not None:
        before = _plate_of(live, after_build_id)
        if before not in queue:
            return Moved(None, (f"build {after_build_id} is not on {machine_id}, or is the build itself",), 0, ())
        place = queue.index(before) + 1
    moved, reasons = (plate, ()) if target == plate.machine else _on(problem, plate, target)
    torn = _torn_lines(live, plate_id, target)
    if moved is not None and torn:
        moved, reasons = None, tuple(f"line {line_id} may not be built at several sites" for line_id in torn)
    if moved is None:
        return Moved(None, reasons, 0, ())
    journal: list[Undo] = []
    wanted = (*queue[:place], plate_id, *queue[place:])
    try:
        if not _change(live, plate, moved, target, wanted, journal):
            return Moved(None, (NOT_RUN,), 0, ())
        plan = _plan(live)
    finally:
        state.undo_to(journal, 0)
    return Moved(plan, (), plan.totals.landed_cents - live.plan.totals.landed_cents, date_changes(live.plan, plan))


def move_line(live: LivePlan, line_id: str, build_id: str, onto_build_id: str) -> Moved:
    """The plan with a line's pieces of one build standing on another instead. The live plan stays as it is.

    A build left empty goes. Raises NotFound for names that are not there, a line that is not on the build included.
    """
    problem, state = live.problem, live.state
    source, target = _plate_of(live, build_id), _plate_of(live, onto_build_id)
    line = next((i for i in state.plates[source].items if problem.lines[i].line_id == line_id), None)
    if line is None:
        raise NotFound(f"no line {line_id!r} on build {build_id}")
    if source == target:
        return Moved(None, (f"line {line_id} stands on build {build_id} already",), 0, ())
    pieces = state.plates[source].items[line].pieces
    journal: list[Undo] = []
    try:
        if not remove(state, [(line, source)], journal):
            return Moved(None, (NOT_RUN,), 0, ())
        reasons = _joined(live, line, pieces, target, onto_build_id, journal)
        if reasons:
            return Moved(None, reasons, 0, ())
        plan = _plan(live)
    finally:
        state.undo_to(journal, 0)
    return Moved(plan, (), plan.totals.landed_cents - live.plan.totals.landed_cents, date_changes(live.plan, plan))


def _plan(live: LivePlan) -> Plan:
    """What the state stands for now; its builds stay the ones they were."""
    plan = publish(live.state, BY_HAND, live.plan.seed, live.lasting_ids)
    # Reasons as the run gave them: a hand does not look for places for what has none.
    return replace(plan, unplanned=live.plan.unplanned)


def _joined(live: LivePlan, line: int, pieces: int, target: int, build_id: str, journal: list[Undo]) -> tuple[str, ...]:
    """Put pieces onto a plate in the orientation that is cheapest there; why not, when it cannot be."""
    problem, state = live.problem, live.state
    plate = state.plates[target]
    wanted = problem.lines[line]
    site_id = problem.machines[plate.machine].site_id
    if wanted.parameter_set_id != plate.parameter_set_id:
        return (f"build {build_id} is of {plate.parameter_set_id}, the line of {wanted.parameter_set_id}",)
    if not plate.accepts(problem, line):
        return (f"line {wanted.line_id} and the lines of build {build_id} may not share a plate",)
    others = {problem.machines[state.plates[p].machine].site_id for p in state.on[line]}
    if not wanted.may_split_sites and others - {site_id}:
        return (f"line {wanted.line_id} may not be built at several sites",)
    choices = problem.possible_choices(line, plate.machine)
    if not choices:
        why = problem.eligibility.why_not(wanted.line_id, site_id)
        machine_id = problem.machines[plate.machine].machine_id
        return tuple(f"line {wanted.line_id}: {x}" for x in why or (f"not on {machine_id}",))
    best: tuple[int, PlateState] | None = None
    fits = False
    for choice in choices:
        joined = plate.with_pieces(problem, line, choice, pieces)
        if joined is None or joined[1] < pieces:
            continue
        fits = True
        undo = state.change(plate.machine, state.sequence[plate.machine], {target: joined[0]})
        if undo is None:
            continue
        if best is None or state.total_cents < best[0]:
            best = (state.total_cents, joined[0])
        state.undo(undo)
    if best is None:
        return (NOT_RUN if fits else f"its {pieces} pieces find no room on the plate of build {build_id}",)
    done = state.change(plate.machine, state.sequence[plate.machine], {target: best[1]})
    assert done is not None  # it could be made a moment ago
    journal.append(done)
    return ()


def _plate_of(live: LivePlan, build_id: str) -> int:
    plate_id = live.plate_of.get(build_id)
    if plate_id is None:
        raise NotFound(f"no build {build_id!r} in the plan")
    return plate_id


def _torn_lines(live: LivePlan, plate_id: int, target: int) -> list[str]:
    """Lines with pieces on other plates at another site that must stay at one site."""
    problem, state = live.problem, live.state
    site_id = problem.machines[target].site_id
    return [
        problem.lines[line].line_id
        for line in state.plates[plate_id].items
        if not problem.lines[line].may_split_sites
        and any(problem.machines[state.plates[p].machine].site_id != site_id for p in state.on[line] if p != plate_id)
    ]


def _change(
    live: LivePlan, old: PlateState, new: PlateState, target: int, wanted: Sequence[int], journal: list[Undo]
) -> bool:
    state = live.state
    if target == old.machine:
        undo = state.change(target, wanted, {})
        if undo is not None:
            journal.append(undo)
        return undo is not None
    # Off first: a plate may not be in two queues at once.
    left = tuple(p for p in state.sequence[old.machine] if p != old.plate_id)
    for machine, sequence, plates in ((old.machine, left, {old.plate_id: None}), (target, wanted, {new.plate_id: new})):
        undo = state.change(machine, sequence, plates)
        if undo is None:
            return False
        journal.append(undo)
    return True


def _on(problem: Problem, plate: PlateState, target: int) -> tuple[PlateState | None, tuple[str, ...]]:
    """The plate on another machine: pieces in their orientation, nested anew where the plate differs."""
    machine = problem.machines[target]
    reasons = []
    items: dict[int, Item] = {}
    for line, item in plate.items.items():
        choice = oriented(problem, line, target, item.choice.orientation)
        if choice is None:
            line_id = problem.lines[line].line_id
            why = problem.eligibility.why_not(line_id, machine.site_id)
            told = "; ".join(why) or f"not in orientation {item.choice.orientation} on {machine.machine_id}"
            reasons.append(f"line {line_id}: {told}")
        else:
            items[line] = Item(choice, item.pieces)
    if reasons:
        return None, tuple(reasons)
    nest = plate.nest
    if problem.specs[target] != problem.specs[plate.machine]:
        nest = Nest(problem.specs[target])
        standing = nest.add(problem.coupon_shape, plate.coupons) == plate.coupons
        for item in sorted(items.values(), key=lambda i: -i.choice.shape.area_mm2):
            standing = standing and nest.add(item.choice.shape, item.pieces) == item.pieces
        if not standing:
            size = f"{machine.plate.width_mm:g} x {machine.plate.depth_mm:g} mm"
            return None, (f"its pieces find no room together on the plate of {machine.machine_id} ({size})",)
    moved = PlateState(plate.plate_id, target, plate.parameter_set_id, nest)
    moved.items, moved.coupons = items, plate.coupons
    moved.refresh(problem)
    return moved, ()


def date_changes(before: Plan, after: Plan) -> tuple[DateChange, ...]:
    """Lines whose last shipment arrives on another day."""
    old, new = before.last_arrivals(), after.last_arrivals()
    return tuple(
        DateChange(line, old[line][0], new[line][0], old[line][1], new[line][1])
        for line in sorted(old)
        if line in new and old[line] != new[line]
    )
