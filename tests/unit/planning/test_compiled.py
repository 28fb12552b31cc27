"""A problem as arrays and back: the exact state confirms a draft's moments to the minute, its cents to rounding."""

from __future__ import annotations

import functools
from pathlib import Path

import pytest
from toy_scenario import toy_scenario

from router.audit import audit
from router.domain.network import Scenario
from router.formats import read_scenario
from router.kernel.run import WorkLimit
from router.planning.compiled import Compiled, compiled
from router.planning.draft_plan import adopt
from router.planning.problem import Problem
from router.planning.publish import publish
from router.planning.state import State
from router.scheduling.draft import Draft
from router.scheduling.search import Search, first_plan
from router.scheduling.solve import sizes_for

SMALL = Path(__file__).parents[3] / "scenarios" / "small"
_PLATE_CENTS = 4
"""A build is one rounded sum in the arrays; in the plan seven items are each rounded, by half a cent at most."""


def _scenario(name: str) -> Scenario:
    if name == "small":
        return read_scenario(SMALL)
    _, lines, seed = name.split("-")
    return toy_scenario(int(lines), seed=int(seed))


@functools.cache
def _planned(name: str) -> tuple[Problem, Compiled, Draft, State]:
    """First plan and a short search, so that queues have been changed and changed back."""
    problem = Problem(_scenario(name))
    made = compiled(problem)
    draft = Draft(made.shop, made.rooms, sizes_for(made.shop), 1)
    first_plan(draft)
    Search(draft, 1, WorkLimit(60), lambda work: work / 60).run()
    return problem, made, draft, adopt(problem, made, draft)


CASES = ("small", "toy-40-3", "toy-25-8")


@pytest.mark.parametrize("name", CASES)
def test_the_exact_state_takes_every_plate_in_the_same_order(name: str) -> None:
    problem, _, draft, state = _planned(name)
    assert draft.missing == 0
    assert state.missing() == 0
    assert sum(len(draft.queue(k)) for k in range(len(problem.machines))) > len(problem.machines)
    for k in range(len(problem.machines)):
        ours = [[(line, pieces) for line, _, pieces in draft.lines_on(p)] for p in draft.queue(k)]
        theirs = [[(i, item.pieces) for i, item in state.plates[p].items.items()] for p in state.sequence[k]]
        assert ours == theirs


@pytest.mark.parametrize("name", CASES)
def test_every_moment_is_the_same_minute(name: str) -> None:
    problem, _, draft, state = _planned(name)
    changes = 0
    for k in range(len(problem.machines)):
        for p, plate_id in enumerate(state.sequence[k]):
            ours, theirs = draft.book.times[k, p], state.times[plate_id]
            at = (theirs.load_start, theirs.run_start, theirs.run_end, theirs.unload_end, theirs.done)
            assert tuple(int(ours[f]) for f in ("load", "run", "run_end", "unload_end", "done")) == at
            begin = theirs.changeover_start if theirs.changeover_cents else theirs.load_start
            assert int(ours["begin"]) == begin
            assert int(draft.book.plates[draft.queue(k)[p]]["run_min"]) == state.plates[plate_id].run_min
            changes += theirs.changeover_cents > 0
    assert changes > 0 or name != "toy-40-3"


@pytest.mark.parametrize("name", CASES)
def test_cents_differ_by_no_more_than_their_rounding(name: str) -> None:
    problem, _, draft, state = _planned(name)
    plates = 0
    for k in range(len(problem.machines)):
        for p, plate_id in enumerate(state.sequence[k]):
            ours, theirs = draft.book.times[k, p], state.times[plate_id]
            assert int(ours["change_cents"]) == theirs.changeover_cents
            assert int(ours["steps_cents"]) == theirs.steps_cents
            built = int(draft.book.plates[draft.queue(k)[p]]["cents"])
            assert abs(built - state.plates[plate_id].cost_cents) <= _PLATE_CENTS
            plates += 1
    assert draft.book.standing["cents"].tolist() == state.line_cents
    assert abs(draft.cents - state.total_cents) <= _PLATE_CENTS * plates


@pytest.mark.parametrize("name", CASES)
def test_days_late_are_those_of_the_exact_deliveries(name: str) -> None:
    problem, _, draft, state = _planned(name)
    for line in range(len(problem.lines)):
        late = max(d.shipping.late_days for _, _, d in state.deliveries(line))
        assert int(draft.book.standing[line]["late"]) == late


@pytest.mark.parametrize("name", CASES)
def test_the_auditor_finds_nothing(name: str) -> None:
    problem, _, _, state = _planned(name)
    plan = publish(state, "draft", 1)
    assert plan.totals.landed_cents == state.total_cents
    assert audit(problem.scenario, plan).clean
