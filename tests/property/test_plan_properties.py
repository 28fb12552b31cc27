"""Whatever the order book: plans keep every rule, cost what they say, and never beat their bound."""

from __future__ import annotations

import random

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from toy_scenario import toy_scenario

from router.audit import audit
from router.domain.result import Result
from router.formats import plan_from_json, plan_to_json
from router.planning import RunParams, plan_scenario
from router.planning.habit import habit_state
from router.planning.insertion import Inserter
from router.planning.problem import Problem
from router.planning.publish import publish
from router.planning.removal import remove, whole_lines, whole_plates
from router.planning.state import State, Undo

# A plan takes a good part of a second, so a failing case is reported as found, not shrunk.
NO_SHRINKING = (Phase.explicit, Phase.reuse, Phase.generate)
few = settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.too_slow], phases=NO_SHRINKING)


def run(lines: int, seed: int, work: int = 25) -> Result:
    return plan_scenario(toy_scenario(lines, seed), RunParams(seed=seed, seconds=None, work=work))


@few
@given(lines=st.integers(1, 22), seed=st.integers(0, 10_000))
def test_the_auditor_finds_nothing_and_the_bound_holds(lines: int, seed: int) -> None:
    scenario = toy_scenario(lines, seed)
    result = plan_scenario(scenario, RunParams(seed=seed, seconds=None, work=15))
    for plan in (result.plan, result.habit):
        report = audit(scenario, plan)
        assert report.clean, [f.sentence() for f in report.findings][:5]
        assert report.totals == plan.totals
    assert result.bound_cents is not None
    assert result.bound_cents <= result.plan.totals.landed_cents
    assert result.bound_cents <= result.habit.totals.landed_cents
    assert result.plan.totals.landed_cents <= result.habit.totals.landed_cents


@few
@given(lines=st.integers(3, 15), seed=st.integers(0, 10_000))
def test_every_piece_is_placed_once_and_shares_sum_to_the_cost(lines: int, seed: int) -> None:
    scenario = toy_scenario(lines, seed)
    plan = plan_scenario(scenario, RunParams(seed=seed, seconds=None, work=10)).plan
    planned = {s.line_id for s in plan.shipments}
    assert planned | {u.line_id for u in plan.unplanned} == {x.line_id for x in scenario.lines}
    for line in scenario.lines:
        if line.line_id in planned:
            on_plates = sum(1 for b in plan.builds for p in b.pieces if p.line_id == line.line_id)
            assert on_plates == line.quantity
    for build in plan.builds:
        assert sum(s.build_cents for s in build.shares) == build.cost.total_cents
        assert sum(s.plate_steps_cents for s in build.shares) == build.plate_steps_cents
        assert all(s.build_cents >= 0 for s in build.shares)


@settings(max_examples=4, deadline=None, phases=NO_SHRINKING)
@given(seed=st.integers(0, 1000))
def test_same_seed_same_plan_bit_for_bit(seed: int) -> None:
    first, second = run(14, seed), run(14, seed)
    assert plan_to_json(first.plan) == plan_to_json(second.plan)
    assert first.options == second.options
    assert [(t.work, t.landed_cents) for t in first.trace] == [(t.work, t.landed_cents) for t in second.trace]


@few
@given(seed=st.integers(0, 10_000))
def test_undo_brings_back_exactly_what_was(seed: int) -> None:
    problem = Problem(toy_scenario(14, seed))
    state = habit_state(problem)
    rng = random.Random(seed)
    inserter = Inserter(state, rng, blink=0.3)
    for _ in range(6):
        before = everything(state)
        journal: list[Undo] = []
        lines = rng.sample(range(14), 3)
        pairs = whole_lines(state, lines)
        if rng.random() < 0.5 and state.plates:
            pairs = list(dict.fromkeys(pairs + whole_plates(state, [rng.choice(sorted(state.plates))])))
        if remove(state, pairs, journal):
            for line in dict.fromkeys(i for i, _ in pairs):
                inserter.insert(line, journal)
        assert state.total_cents == recomputed(state)
        state.undo_to(journal, 0)
        assert everything(state) == before


def everything(state: State) -> tuple[object, ...]:
    """All a state holds. Plates and times are values, so references suffice."""
    return (
        dict(state.plates),
        list(state.sequence),
        dict(state.times),
        list(state.on),
        list(state.line_cents),
        list(state.machine_cents),
        state.total_cents,
    )


def recomputed(state: State) -> int:
    """The whole plan's cost from the published plan alone."""
    return publish(state, "test", 0).totals.landed_cents


@few
@given(lines=st.integers(2, 12), seed=st.integers(0, 10_000))
def test_plans_survive_the_round_trip_through_their_file(lines: int, seed: int) -> None:
    plan = run(lines, seed, work=3).plan
    assert plan_from_json(plan_to_json(plan)) == plan


@pytest.mark.parametrize("seed", range(3))
def test_trade_offs_leave_the_plan_alone_and_agree_with_it(seed: int) -> None:
    scenario = toy_scenario(16, seed)
    result = plan_scenario(scenario, RunParams(seed=seed, seconds=None, work=20))
    assert audit(scenario, result.plan).clean
    for options in result.options:
        shipped = {s.site_id for s in result.plan.shipments if s.line_id == options.line_id}
        assert set(options.chosen_site_ids) == shipped
        assert [o.site_id for o in options.sites] == [s.site_id for s in scenario.network.sites]
        for site in options.sites:
            assert site.possible != bool(site.reasons)
            if site.possible:
                assert site.fair_cents is not None and site.fair_cents > 0
    total_fair = sum(o.fair_cents or 0 for t in result.options for o in t.sites if o.chosen)
    totals = result.plan.totals
    # Fair costs of the chosen sites share everything but changeovers and the carbon of builds.
    shared = totals.landed_cents - totals.changeover_cents - totals.carbon_cents
    assert shared <= total_fair <= totals.landed_cents
