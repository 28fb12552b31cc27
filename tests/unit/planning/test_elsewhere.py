"""One line elsewhere: every plan is sound, the line is where it was forced to, equal effort gives equal answers."""

from __future__ import annotations

import threading

import pytest
from toy_scenario import toy_scenario

import router.planning.elsewhere as module
from router.audit import audit
from router.domain.network import Scenario
from router.domain.plan import Plan
from router.domain.result import Result
from router.kernel.faults import NotFound
from router.planning import RunParams, plan_scenario
from router.planning.elsewhere import AS_IT_IS, STAYS, Elsewhere, elsewhere


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return toy_scenario(40, seed=12)


@pytest.fixture(scope="module")
def result(scenario: Scenario) -> Result:
    return plan_scenario(scenario, RunParams(seed=3, seconds=None, work=100))


def movable(result: Result, sites: int = 2) -> list[str]:
    return [o.line_id for o in result.options if sum(s.possible for s in o.sites) >= sites]


def sites_of(plan: Plan, line_id: str) -> set[str]:
    return {s.site_id for s in plan.shipments if s.line_id == line_id}


def answers(scenario: Scenario, plan: Plan, line_id: str, work: int, seed: int = 2) -> dict[str, Elsewhere]:
    return {a.site_id: a for a in elsewhere(scenario, plan, line_id, None, seed, work=work)}


@pytest.mark.parametrize("searched_whole", [16, 1])
def test_every_site_has_a_sound_plan_with_the_line_there(
    scenario: Scenario, result: Result, searched_whole: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_SEARCHED_WHOLE", searched_whole)
    asked = movable(result)[::8]
    assert len(asked) >= 3
    for line_id in asked:
        told = {s.site_id: s for o in result.options if o.line_id == line_id for s in o.sites}
        found = answers(scenario, result.plan, line_id, 40)
        assert list(found) == [AS_IT_IS, *(s.site_id for s in scenario.network.sites)]
        free = found.pop(AS_IT_IS)
        assert free.plan is not None and free.plan.totals.landed_cents <= result.plan.totals.landed_cents
        for site_id, answer in found.items():
            assert (answer.plan is not None) == told[site_id].possible == (not answer.reasons)
            if answer.plan is None:
                continue
            assert audit(scenario, answer.plan).clean
            assert sites_of(answer.plan, line_id) == {site_id}
            assert answer.kpis is not None and answer.kpis.landed_cents == answer.plan.totals.landed_cents
            assert answer.moved is not None
            assert answer.moved.lines_at_other_sites > 0 or told[site_id].chosen


def test_more_effort_is_never_dearer_and_equal_effort_is_equal(scenario: Scenario, result: Result) -> None:
    line_id = movable(result)[0]
    none, some, again = (answers(scenario, result.plan, line_id, work, 5) for work in (0, 150, 150))
    assert some == again
    compared = 0
    for site_id, little in none.items():
        much = some[site_id]
        if little.plan is not None and much.plan is not None:
            assert much.plan.totals.landed_cents <= little.plan.totals.landed_cents
            compared += 1
    assert compared >= 3


def test_of_a_habit_plan_too(scenario: Scenario, result: Result) -> None:
    # The habit stands pieces in orientations the search does not try by itself; its plates are taken up all the same.
    free = next(iter(elsewhere(scenario, result.habit, movable(result)[0], None, 1, work=0)))
    assert free.plan is not None and free.moved is not None
    assert free.moved.builds_as_before == free.moved.builds == len(result.habit.builds)


def test_a_kept_build_stays_and_its_line_can_go_nowhere(scenario: Scenario, result: Result) -> None:
    build = min(result.plan.builds, key=lambda b: b.load_start)
    line_id = next(s.line_id for s in build.shares if s.line_id in movable(result))
    at = sites_of(result.plan, line_id)
    for answer in elsewhere(scenario, result.plan, line_id, None, 1, work=30, keep=(build.build_id,)):
        assert (answer.plan is not None) == (answer.site_id == AS_IT_IS or at == {answer.site_id})
        if answer.plan is None:
            told = {s.site_id: s for o in result.options if o.line_id == line_id for s in o.sites}
            assert not told[answer.site_id].possible or answer.reasons == (STAYS,)
        if answer.plan is not None:
            assert any(b.pieces == build.pieces and b.run_start == build.run_start for b in answer.plan.builds)


def test_stopped_it_keeps_what_it_has(scenario: Scenario, result: Result) -> None:
    cancel = threading.Event()
    heard = []
    for answer in elsewhere(scenario, result.plan, movable(result)[0], 30.0, 1, cancel=cancel, work=30):
        heard.append(answer)
        if answer.plan is not None and answer.site_id != AS_IT_IS:
            cancel.set()
    assert sum(a.plan is not None for a in heard) == 2 and len(heard) < 1 + len(scenario.network.sites)


def test_a_line_nobody_knows(scenario: Scenario, result: Result) -> None:
    with pytest.raises(NotFound):
        next(iter(elsewhere(scenario, result.plan, "no line", None, 1, work=1)))
