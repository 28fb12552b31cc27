"""Today's habit decides exactly as the same rules followed step by step on the whole state."""

from __future__ import annotations

from dataclasses import replace

import pytest
from toy_scenario import toy_scenario

from router.domain.network import Scenario
from router.planning.eligibility import Choice
from router.planning.habit import habit_state
from router.planning.insertion import new_plate
from router.planning.problem import Problem
from router.planning.state import State, Undo


def plain_habit(problem: Problem) -> State:
    """The habit with every plate asked each time and the whole state kept up at every step."""
    state = State(problem)
    for line in sorted(
        range(len(problem.lines)), key=lambda i: (problem.lines[i].received_at, problem.lines[i].line_id)
    ):
        for site_id in problem.sites_by_distance(line):
            if _all_pieces(state, line, site_id):
                break
    return state


def _all_pieces(state: State, line: int, site_id: str) -> bool:
    journal: list[Undo] = []
    while (missing := state.problem.lines[line].quantity - state.placed(line)) > 0:
        undo = _join(state, line, site_id, missing) or _open(state, line, site_id, missing)
        if undo is None:
            state.undo_to(journal, 0)
            return False
        journal.append(undo)
    return True


def _choice(problem: Problem, line: int, machine: int) -> Choice:
    return min(problem.possible_choices(line, machine), key=lambda c: (c.support_cm3, c.orientation))


def _join(state: State, line: int, site_id: str, missing: int) -> Undo | None:
    problem = state.problem
    for plate_id in sorted(state.plates):
        plate = state.plates[plate_id]
        elsewhere = problem.machines[plate.machine].site_id != site_id
        if elsewhere or not plate.accepts(problem, line) or not problem.choices(line, plate.machine):
            continue
        joined = plate.with_pieces(problem, line, _choice(problem, line, plate.machine), missing)
        undo = joined and state.change(plate.machine, state.sequence[plate.machine], {plate_id: joined[0]})
        if undo:
            return undo
    return None


def _open(state: State, line: int, site_id: str, missing: int) -> Undo | None:
    problem = state.problem
    best: tuple[int, int] | None = None
    plate_id = state.new_plate_id()
    for machine in problem.machines_for(line):
        if problem.machines[machine].site_id != site_id:
            continue
        undo = _opened(state, line, machine, missing, plate_id)
        if undo is None:
            continue
        done_at = state.times[plate_id].unload_end
        state.undo(undo)
        if best is None or done_at < best[0]:
            best = (done_at, machine)
    return _opened(state, line, best[1], missing, plate_id) if best else None


def _opened(state: State, line: int, machine: int, missing: int, plate_id: int) -> Undo | None:
    opened = new_plate(state.problem, line, machine, _choice(state.problem, line, machine), missing, plate_id)
    if opened is None:
        return None
    return state.change(machine, (*state.sequence[machine], plate_id), {plate_id: opened[0]})


def varied(scenario: Scenario) -> Scenario:
    """Some lines with coupons, some that share with nobody, some large."""
    lines = tuple(
        replace(
            x, coupons=i % 5 if i % 3 == 0 else 0, own_plate=i % 7 == 0, quantity=x.quantity * (1 + 9 * (i % 4 == 0))
        )
        for i, x in enumerate(scenario.lines)
    )
    return replace(scenario, lines=lines)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_same_plan_as_step_by_step(seed: int) -> None:
    problem = Problem(varied(toy_scenario(45, seed)))
    quick, plain = habit_state(problem), plain_habit(problem)
    assert quick.sequence == plain.sequence
    assert quick.times == plain.times
    assert quick.on == plain.on
    assert quick.total_cents == plain.total_cents
    assert quick.line_cents == plain.line_cents
    assert sum(1 for on in plain.on if on) > 30
    for plate_id, plate in plain.plates.items():
        assert quick.plates[plate_id].items == plate.items
        assert quick.plates[plate_id].nest.placements == plate.nest.placements
