"""The live plan: rebuilt exactly, asked without being changed, moved by hand under the auditor's eye."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import pytest
from toy_scenario import toy_scenario

import router.planning.live as live_module
import scenarios
from router.audit import audit, audit_change
from router.domain.network import Scenario
from router.domain.plan import Plan
from router.domain.result import Result
from router.formats import read_scenario
from router.kernel.faults import Conflict, NotFound
from router.planning import RunParams, plan_scenario
from router.planning.live import LivePlan
from router.planning.moves import move_build, move_line
from router.planning.publish import publish
from router.planning.removal import remove, whole_lines
from router.planning.room_now import room_now
from router.planning.state import Undo
from router.service.seen_totals import hidden_money


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return read_scenario(Path(scenarios.__file__).parent / "small")


@pytest.fixture(scope="module")
def result(scenario: Scenario) -> Result:
    return plan_scenario(scenario, RunParams(seed=3, seconds=None, work=40))


@pytest.fixture
def live(scenario: Scenario, result: Result) -> LivePlan:
    return LivePlan(scenario, result.plan)


def test_the_state_of_a_plan_publishes_the_same_plan(live: LivePlan, result: Result) -> None:
    assert publish(live.state, result.plan.made_by, result.plan.seed) == result.plan


def test_where_a_line_of_the_plan_goes_is_what_the_run_said(live: LivePlan, result: Result) -> None:
    for told in result.options:
        assert live.where(told.line_id).sites == told.sites


def test_a_new_line_like_a_known_one_may_go_where_that_may(live: LivePlan, scenario: Scenario, result: Result) -> None:
    known = {o.line_id: o for o in result.options}
    for line in scenario.lines:
        new = live.where_new(replace(line, line_id=f"new {line.line_id}"), scenario.parts[line.model])
        assert not new.chosen_site_ids
        if any(s.possible for s in new.sites):
            assert new.sentence.startswith("It is not part of this plan, which was made before it came")
        assert [s.possible for s in new.sites] == [s.possible for s in known[line.line_id].sites]
        for site in new.sites:
            assert (site.marginal_cents is not None) == site.possible and bool(site.reasons) != site.possible
    assert live.state.total_cents == result.plan.totals.landed_cents


def test_a_new_alloy_and_coupons_make_a_new_kind(live: LivePlan, scenario: Scenario) -> None:
    line = replace(scenario.lines[0], line_id="more coupons", coupons=scenario.lines[0].coupons + 1)
    fresh = LivePlan(replace(scenario, lines=(*scenario.lines, line)), live.plan)
    assert live.where_new(line, scenario.parts[line.model]).sites == fresh.where("more coupons").sites


def test_moves_are_clean_by_the_auditor_and_cost_what_they_say(
    live: LivePlan, scenario: Scenario, result: Result
) -> None:
    rng = random.Random(5)
    kept = refused = 0
    for _ in range(60):
        build, other = rng.choice(result.plan.builds), rng.choice(result.plan.builds)
        after = None if rng.random() < 0.3 else other.build_id
        moved = move_build(live, build.build_id, other.machine_id, after)
        if moved.plan is None:
            refused += 1
            assert moved.reasons and all(moved.reasons)
            continue
        kept += 1
        assert audit(scenario, moved.plan).findings == ()
        assert moved.difference_cents == moved.plan.totals.landed_cents - result.plan.totals.landed_cents
        assert sum(len(b.pieces) for b in moved.plan.builds) == sum(len(b.pieces) for b in result.plan.builds)
    assert kept >= 10 and refused >= 5
    assert publish(live.state, result.plan.made_by, result.plan.seed) == result.plan


def test_a_move_to_where_it_is_changes_nothing(live: LivePlan, result: Result) -> None:
    first = min((b for b in result.plan.builds), key=lambda b: b.load_start)
    queue = sorted((b for b in result.plan.builds if b.machine_id == first.machine_id), key=lambda b: b.load_start)
    moved = move_build(live, queue[0].build_id, first.machine_id, None)
    assert moved.difference_cents == 0 and moved.dates == () and moved.plan is not None


def test_names_that_are_not_there(live: LivePlan) -> None:
    with pytest.raises(NotFound):
        move_build(live, "nowhere", live.problem.machines[0].machine_id, None)
    with pytest.raises(NotFound):
        move_build(live, next(iter(live.plate_of)), "no machine", None)
    with pytest.raises(NotFound):
        live.where("no line")


def test_lines_that_would_fit_are_planned_later_and_the_plan_stays(scenario: Scenario, result: Result) -> None:
    live = LivePlan(scenario, result.habit)  # habit leaves plates half empty
    start = {b.build_id: b.load_start for b in result.habit.builds}
    found = [(name, fit) for name in live.plate_of for fit in room_now(live, name)]
    assert found, "no plate of the habit plan has room for a later line"
    assert live.state.total_cents == result.habit.totals.landed_cents
    for name, fit in found:
        assert fit.now_on is not None and start[fit.now_on] > start[name]
        assert fit.pieces == scenario.line[fit.line_id].quantity


def test_a_marginal_cost_that_counts_money_of_lines_apart_is_kept_back(scenario: Scenario, result: Result) -> None:
    live = LivePlan(scenario, result.plan)
    pieces = {b.build_id: b.pieces_by_line() for b in result.plan.builds}
    without = {x.line_id: _plan_without(live, x.line_id) for x in scenario.lines}
    kept_back = told = 0
    for asked in without:
        known = live.where(asked)
        for apart in without.keys() - {asked}:
            found = live.where(asked, {apart})
            assert [replace(s, marginal_cents=None) for s in found.sites] == [
                replace(s, marginal_cents=None) for s in known.sites
            ]
            for site, whole in zip(found.sites, known.sites, strict=True):
                if whole.marginal_cents is None:
                    assert site.marginal_cents is None
                    continue
                if whole.chosen:
                    costs = [hidden_money(plan, {apart}) for plan in (result.plan, without[asked])]
                    assert (site.marginal_cents is None) == (costs[0] != costs[1]), (asked, apart)
                elif whole.joins_build_id is not None and apart in pieces[whole.joins_build_id]:
                    assert site.marginal_cents is None
                assert site.marginal_cents in (None, whole.marginal_cents)
                kept_back += site.marginal_cents is None
                told += site.marginal_cents is not None
            if any(s.possible and s.marginal_cents is None for s in found.sites):
                assert " cost" not in found.sentence
            else:
                assert found == known
    assert kept_back > 5 and told > 50
    assert live.where("1001-1", {"no line of the plan"}) == live.where("1001-1")


def _plan_without(live: LivePlan, line_id: str) -> Plan:
    journal: list[Undo] = []
    assert remove(live.state, whole_lines(live.state, live.known([line_id])), journal)
    plan = publish(live.state, "optimizer", 1)
    live.state.undo_to(journal, 0)
    return plan


def test_what_a_line_that_would_fit_changes_is_kept_back_where_it_counts_money_of_lines_apart(
    scenario: Scenario, result: Result
) -> None:
    live = LivePlan(scenario, result.habit)
    pieces = {b.build_id: b.pieces_by_line() for b in result.habit.builds}
    kept_back = told = 0
    for build_id in live.plate_of:
        known = {f.line_id: f for f in room_now(live, build_id)}
        for apart in (x.line_id for x in scenario.lines):
            found = room_now(live, build_id, apart={apart})
            assert {f.line_id for f in found} == known.keys()
            differences = [f.difference_cents for f in found]
            assert differences == sorted(differences, key=lambda d: (d is None, d or 0))
            for fit in found:
                whole = known[fit.line_id]
                assert fit in (whole, replace(whole, difference_cents=None))
                beside = {*pieces[build_id], *(pieces[fit.now_on] if fit.now_on else ())}
                assert apart not in beside or fit.difference_cents is None
                kept_back += fit.difference_cents is None
                told += fit.difference_cents is not None
    assert kept_back and told


def test_a_plan_of_another_book_is_refused(scenario: Scenario, result: Result) -> None:
    without = next(s.line_id for s in result.plan.shipments)
    fewer = replace(scenario, lines=tuple(x for x in scenario.lines if x.line_id != without))
    with pytest.raises(Conflict, match="plan again"):
        LivePlan(fewer, result.plan)


def test_a_large_plan_comes_back_to_the_last_bit() -> None:
    # Lines that share shapes and plates: the order of sums and of like pieces must be the plan's own.
    scenario = toy_scenario(60, seed=4)
    plan = plan_scenario(scenario, RunParams(seed=2, seconds=None, work=60)).plan
    again = publish(LivePlan(scenario, plan).state, plan.made_by, plan.seed)
    for one, other in zip(again.builds, plan.builds, strict=True):
        assert one == other
    assert again == plan


def test_lines_moved_to_other_plates_are_clean_and_all_there(scenario: Scenario, result: Result) -> None:
    live = LivePlan(scenario, result.habit)
    before = publish(live.state, result.habit.made_by, result.habit.seed)
    kept = 0
    told: set[str] = set()
    for build in result.habit.builds:
        for other in result.habit.builds:
            if other is build:
                continue
            line_id = build.shares[0].line_id
            moved = move_line(live, line_id, build.build_id, other.build_id)
            if moved.plan is None:
                assert moved.reasons
                told.update(reason.split(" ")[0] for reason in moved.reasons)
                continue
            kept += 1
            assert audit(scenario, moved.plan).clean
            assert audit_change(scenario, result.habit, moved.plan).clean
            assert moved.difference_cents == moved.plan.totals.landed_cents - result.habit.totals.landed_cents
    assert kept >= 3 and {"build", "its"} <= told
    assert publish(live.state, result.habit.made_by, result.habit.seed) == before
    with pytest.raises(NotFound):
        move_line(live, "no line", result.habit.builds[0].build_id, result.habit.builds[1].build_id)


def test_lines_asked_about_leave_no_trace(scenario: Scenario, result: Result, monkeypatch: pytest.MonkeyPatch) -> None:
    live = LivePlan(scenario, result.habit)
    fits = {name: room_now(live, name) for name in live.plate_of}
    monkeypatch.setattr(live_module, "_MOST_GUESTS", 5)
    lines = [replace(x, line_id=f"new {x.line_id}") for x in scenario.lines]
    first = [live.where_new(x, scenario.parts[x.model]) for x in lines]
    assert len(lines) > 5 and [live.where_new(x, scenario.parts[x.model]) for x in lines] == first
    assert {name: room_now(live, name) for name in live.plate_of} == fits
    assert publish(live.state, result.habit.made_by, result.habit.seed) == result.habit


def test_another_mesh_under_a_known_name_is_judged_by_itself(scenario: Scenario, result: Result) -> None:
    line = replace(scenario.lines[0], line_id="new")
    names = [n for n in scenario.parts if n != line.model]
    for name in names:
        other = scenario.parts[name]
        under_its_own = LivePlan(scenario, result.plan).where_new(replace(line, model=name, unit="mm"), other)
        under_another = LivePlan(scenario, result.plan).where_new(line, other)
        assert [replace(s, reasons=()) for s in under_another.sites] == [
            replace(s, reasons=()) for s in under_its_own.sites
        ]


def test_the_fair_cost_of_a_line_is_the_sum_of_its_parts(scenario: Scenario, result: Result) -> None:
    live, plan, carbon = LivePlan(scenario, result.plan), result.plan, 0
    for line in scenario.lines:
        chosen = [o.fair_cents or 0 for o in live.where(line.line_id).sites if o.chosen]
        shares = [s for b in plan.builds for s in b.shares if s.line_id == line.line_id]
        parts = [s.build_cents + s.plate_steps_cents for s in shares]
        parts += [lot.cost_cents for lot in plan.lots if lot.line_id == line.line_id]
        parts += [s.freight_cents + s.carbon_cents + s.late_cents for s in plan.shipments if s.line_id == line.line_id]
        own = live.build_carbon_cents(line.line_id)
        assert sum(chosen) == sum(parts) + own
        carbon += own
    assert carbon == sum(b.carbon_cents for b in plan.builds) > 0
