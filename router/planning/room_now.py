"""Which lines would fit on a plate now: unplaced ones and ones planned later, with what that would change."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from router.kernel.faults import NotFound
from router.planning.live import LivePlan
from router.planning.removal import remove, whole_lines
from router.planning.state import Undo


@dataclass(frozen=True, slots=True)
class WouldFit:
    """A line all of whose pieces find room on the plate."""

    line_id: str
    pieces: int
    difference_cents: int | None
    """Change of the whole plan's landed cost; for a line that is in no plate yet, what it adds. None where lines whose
    money is kept apart cost otherwise too."""
    now_on: str | None
    """Build it is planned on; None when it is on none."""


def room_now(
    live: LivePlan,
    build_id: str,
    most: int = 12,
    tries: int = 60,
    guests: Collection[int] = (),
    apart: Collection[str] = (),
) -> tuple[WouldFit, ...]:
    """Lines of the plate's powder that would fit there now, the cheapest first. The live plan stays as it is.

    Lines ``apart``: a change that counts their money is None, and such lines stand last.

    ``guests``: lines the plan does not know that wait for a plate, as ``LivePlan.admit_all`` names them; others that
    were taken in had only been asked about. At most ``tries`` lines are tried, unplaced and late ones first, then those
    nearest in due date.
    """
    problem, state = live.problem, live.state
    plate_id = live.plate_of.get(build_id)
    if plate_id is None:
        raise NotFound(f"no build {build_id!r} in the plan")
    plate = state.plates[plate_id]
    names = {p: name for name, p in live.plate_of.items()}
    start = state.times[plate_id].load_start
    waiting = [
        line
        for line in (*range(len(problem.scenario.lines)), *guests)
        if problem.lines[line].parameter_set_id == plate.parameter_set_id
        and line not in plate.items
        and len(state.on[line]) <= 1
        and all(state.times[p].load_start > start for p in state.on[line])
        and problem.choices(line, plate.machine)
        and problem.release[line] <= start
    ]
    waiting.sort(key=lambda i: (bool(state.on[i]), problem.due[i], i))
    found = []
    for line in waiting[:tries]:
        fit = _tried(live, line, plate_id, names, live.known(apart))
        if fit is not None:
            found.append(fit)
    return tuple(sorted(found, key=_cheapest_first)[:most])


def _cheapest_first(fit: WouldFit) -> tuple[bool, int, str]:
    return fit.difference_cents is None, fit.difference_cents or 0, fit.line_id


def _tried(live: LivePlan, line: int, plate_id: int, names: dict[int, str], apart: Collection[int]) -> WouldFit | None:
    problem, state = live.problem, live.state
    before, stakes = state.total_cents, state.stakes(apart)
    now_on = names[state.on[line][0]] if state.on[line] else None
    quantity = problem.lines[line].quantity
    journal: list[Undo] = []
    try:
        if state.on[line] and not remove(state, whole_lines(state, [line]), journal):
            return None
        plate = state.plates.get(plate_id)
        if plate is None or not plate.accepts(problem, line):
            return None
        for choice in problem.choices(line, plate.machine):
            joined = plate.with_pieces(problem, line, choice, quantity)
            if joined is None or joined[1] < quantity:
                continue
            undo = state.change(plate.machine, state.sequence[plate.machine], {plate_id: joined[0]})
            if undo is None:
                continue
            journal.append(undo)
            difference = state.total_cents - before if state.stakes(apart) == stakes else None
            return WouldFit(problem.lines[line].line_id, quantity, difference, now_on)
        return None
    finally:
        state.undo_to(journal, 0)
