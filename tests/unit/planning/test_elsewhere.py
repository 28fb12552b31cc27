"""One line elsewhere: every plan is sound, has the line where it was forced to, and says its true difference."""

from __future__ import annotations

import threading

import pytest
from toy_scenario import toy_scenario

from router.audit import audit
from router.domain.network import Scenario
from router.domain.plan import Plan
from router.domain.result import Result
from router.kernel.faults import NotFound
from router.planning import RunParams, plan_scenario
from router.planning.elsewhere import STOPPED, SiteTried, elsewhere


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


def test_every_site_has_a_sound_plan_with_the_line_there(scenario: Scenario, result: Result) -> None:
    asked = movable(result)[::6]
    assert len(asked) >= 3
    for line_id in asked:
        told = {s.site_id: s for o in result.options if o.line_id == line_id for s in o.sites}
        heard: list[SiteTried] = []
        answer = elsewhere(scenario, result.plan, line_id, RunParams(2, None, 40), found=heard.append)
        assert [answer.free, *answer.sites] == heard
        assert [s.site_id for s in answer.sites] == [s.site_id for s in scenario.network.sites]
        assert answer.free.plan is not None and answer.free.difference_cents == 0
        assert answer.free.plan.totals.landed_cents <= answer.live_cents == result.plan.totals.landed_cents
        for tried in answer.sites:
            assert tried.site_id is not None
            possible = told[tried.site_id].possible
            assert (tried.plan is not None) == possible and bool(tried.reasons) != possible
            assert tried.chosen == told[tried.site_id].chosen
            if tried.plan is None:
                continue
            assert audit(scenario, tried.plan).clean
            assert sites_of(tried.plan, line_id) == {tried.site_id}
            assert tried.difference_cents == tried.plan.totals.landed_cents - answer.free.plan.totals.landed_cents
            assert tried.moved is not None and (tried.moved.lines_at_other_sites > 0) >= (not tried.chosen)


def test_more_effort_is_never_dearer_and_equal_effort_is_equal(scenario: Scenario, result: Result) -> None:
    line_id = movable(result)[0]
    none, some, again = (elsewhere(scenario, result.plan, line_id, RunParams(5, None, work)) for work in (0, 150, 150))
    assert some == again
    for little, much in zip(none.sites, some.sites, strict=True):
        if little.plan is not None and much.plan is not None:
            assert much.plan.totals.landed_cents <= little.plan.totals.landed_cents


def test_a_kept_build_stays_and_its_line_can_go_nowhere(scenario: Scenario, result: Result) -> None:
    build = min(result.plan.builds, key=lambda b: b.load_start)
    line_id = next(s.line_id for s in build.shares if s.line_id in movable(result))
    answer = elsewhere(scenario, result.plan, line_id, RunParams(1, None, 30), keep=(build.build_id,))
    for tried in answer.sites:
        assert (tried.plan is not None) == tried.chosen
        if tried.plan is not None:
            assert any(b.pieces == build.pieces and b.run_start == build.run_start for b in tried.plan.builds)


def test_stopped_it_keeps_what_it_has(scenario: Scenario, result: Result) -> None:
    cancel = threading.Event()
    line_id = movable(result)[0]
    heard: list[SiteTried] = []

    def stop_after_first(tried: SiteTried) -> None:
        heard.append(tried)
        if tried.plan is not None and tried.site_id is not None:
            cancel.set()

    answer = elsewhere(scenario, result.plan, line_id, RunParams(1, 30.0, 30), cancel=cancel, found=stop_after_first)
    assert sum(s.plan is not None for s in answer.sites) == 1
    assert any(s.reasons == (STOPPED,) for s in answer.sites)


def test_a_line_nobody_knows(scenario: Scenario, result: Result) -> None:
    with pytest.raises(NotFound):
        elsewhere(scenario, result.plan, "no line", RunParams(1, None, 1))
