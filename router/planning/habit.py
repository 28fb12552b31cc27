"""Today's habit: the plan a network makes when every site minds its own order book.

Lines in the order they were received; each goes to the nearest site that can build it; there its pieces go onto
the first plate of the parameter set with room, in the orientation with the least support (what a shop does unless told
otherwise), even if that plate then waits for the line to be released; when none has room, a new plate goes to the
machine that would have it done first. Nothing is moved afterwards. It knows the whole open order book, as the optimizer
does, so it fills plates better than a shop that sees one day at a time.
"""

from __future__ import annotations

from router.planning.eligibility import Choice
from router.planning.insertion import new_plate
from router.planning.problem import Problem
from router.planning.state import State, Undo


def habit_state(problem: Problem) -> State:
    """Build the habit's plan. Lines that cannot be built anywhere stay off it."""
    state = State(problem)
    order = sorted(range(len(problem.lines)), key=lambda i: (problem.lines[i].received_at, problem.lines[i].line_id))
    for line in order:
        for site_id in problem.sites_by_distance(line):
            if _place_at(state, line, site_id):
                break
    return state


def _place_at(state: State, line: int, site_id: str) -> bool:
    journal: list[Undo] = []
    while (missing := state.problem.lines[line].quantity - state.placed(line)) > 0:
        undo = _join_first(state, line, site_id, missing) or _open_plate(state, line, site_id, missing)
        if undo is None:
            state.undo_to(journal, 0)
            return False
        journal.append(undo)
    return True


def _least_support(problem: Problem, line: int, machine: int) -> Choice:
    choices = problem.eligibility.possible(problem.lines[line].line_id, problem.machines[machine])
    return min(choices, key=lambda c: (c.support_cm3, c.orientation))


def _join_first(state: State, line: int, site_id: str, missing: int) -> Undo | None:
    problem = state.problem
    for plate_id in sorted(state.plates):
        plate = state.plates[plate_id]
        if problem.machines[plate.machine].site_id != site_id or not plate.accepts(problem, line):
            continue
        if not problem.choices(line, plate.machine):
            continue
        joined = plate.with_pieces(problem, line, _least_support(problem, line, plate.machine), missing)
        if joined is None:
            continue
        undo = state.change(plate.machine, state.sequence[plate.machine], {plate_id: joined[0]})
        if undo is not None:
            return undo
    return None


def _open_plate(state: State, line: int, site_id: str, missing: int) -> Undo | None:
    problem = state.problem
    best: tuple[int, int, Undo] | None = None
    plate_id = state.new_plate_id()
    for machine in problem.machines_for(line):
        if problem.machines[machine].site_id != site_id:
            continue
        opened = new_plate(problem, line, machine, _least_support(problem, line, machine), missing, plate_id)
        if opened is None:
            continue
        undo = state.change(machine, (*state.sequence[machine], plate_id), {plate_id: opened[0]})
        if undo is None:
            continue
        done_at = state.times[plate_id].unload_end
        state.undo(undo)
        if best is None or done_at < best[0]:
            best = (done_at, machine, undo)
    if best is None:
        return None
    machine = best[1]
    opened = new_plate(problem, line, machine, _least_support(problem, line, machine), missing, plate_id)
    if opened is None:
        return None
    return state.change(machine, (*state.sequence[machine], plate_id), {plate_id: opened[0]})
