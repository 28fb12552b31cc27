"""The run as a whole: stop rules, cancelling, statuses, what cannot be planned."""

from __future__ import annotations

import re
import threading
import time
from dataclasses import replace
from datetime import timedelta

import pytest
from toy_scenario import NOW, box_part, toy_scenario

from router.audit import audit
from router.domain.machines import ChangeoverRule, Maintenance
from router.domain.sites import Credential
from router.kernel.run import Silent, Status
from router.planning import RunParams, plan_scenario
from router.planning.bound import lower_bound
from router.planning.habit import habit_state
from router.planning.problem import Problem
from router.planning.solve import first_plan


class Recorder(Silent):
    """Remembers what a run said."""

    def __init__(self) -> None:
        self.phases: list[str] = []
        self.incumbents: list[float] = []
        self.bounds: list[float] = []
        self.end: tuple[Status, str] | None = None

    def phase(self, name: str, total: int | None) -> None:
        self.phases.append(name)

    def incumbent(self, value: float, seconds: float) -> None:
        self.incumbents.append(value)

    def bound(self, value: float, seconds: float) -> None:
        self.bounds.append(value)

    def ended(self, status: Status, reason: str) -> None:
        self.end = (status, reason)


def test_a_run_reports_itself_and_stops_at_its_work_limit() -> None:
    heard = Recorder()
    result = plan_scenario(toy_scenario(12, 1), RunParams(seed=3, seconds=None, work=30), heard)
    assert heard.end == (Status.FEASIBLE, "work limit of 30 units")
    assert result.work == 30
    assert heard.bounds == [result.bound_cents]
    # The last point of the trace is the plan after the last improvements.
    assert heard.incumbents == [t.landed_cents for t in result.trace[:-1]]
    assert heard.incumbents == sorted(heard.incumbents, reverse=True)
    # Its cents are the exact ones; those before were counted on the arrays, up to 4 a build less (MODEL.md, section 7).
    assert result.trace[-1].landed_cents == result.plan.totals.landed_cents
    assert heard.incumbents[-1] >= result.plan.totals.landed_cents - 4 * len(result.plan.builds)
    assert "search" in heard.phases


def test_cancelled_at_once_still_gives_a_plan() -> None:
    cancel = threading.Event()
    cancel.set()
    scenario = toy_scenario(10, 2)
    result = plan_scenario(scenario, RunParams(seconds=60), cancel=cancel)
    assert result.status == Status.CANCELLED.value
    assert result.stop_reason == "cancelled"
    assert audit(scenario, result.plan).clean


@pytest.mark.parametrize(
    ("params", "message"),
    [
        ({"seconds": None, "work": None}, "a time limit, a work limit or both"),
        ({"seconds": 0.0}, "above 0"),
        ({"work": -1}, "not be negative"),
    ],
)
def test_params_are_checked(params: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        RunParams(**params)  # type: ignore[arg-type]


def test_a_line_nobody_can_build_comes_back_with_reasons() -> None:
    scenario = toy_scenario(4, 3)
    parts = {**scenario.parts, "giant.stl": box_part("giant", 900.0, 900.0, 900.0)}
    lines = (replace(scenario.lines[0], model="giant.stl"), *scenario.lines[1:])
    scenario = replace(scenario, lines=lines, parts=parts)
    result = plan_scenario(scenario, RunParams(seconds=None, work=5))
    assert [u.line_id for u in result.plan.unplanned] == [lines[0].line_id]
    reasons = " ".join(result.plan.unplanned[0].reasons)
    assert "taller than" in reasons and "Northford" in reasons
    assert audit(scenario, result.plan).clean
    assert result.options[0].chosen_site_ids == ()
    assert "cannot be built anywhere" in result.options[0].sentence


def test_nothing_to_plan_is_a_plan() -> None:
    scenario = toy_scenario(0)
    result = plan_scenario(scenario, RunParams(seconds=None, work=5))
    assert result.plan.builds == ()
    assert result.bound_cents is None
    assert result.kpis.landed_cents == 0
    assert audit(scenario, result.plan).clean


def test_the_bound_is_tight_for_a_plate_that_one_piece_fills() -> None:
    """One piece that covers most of its plate: the relaxation leaves little on the table."""
    scenario = toy_scenario(1, 5)
    parts = {"slab.stl": box_part("slab", 215.0, 215.0, 30.0)}
    line = replace(
        scenario.lines[0],
        model="slab.stl",
        alloy_id="SS",
        parameter_set_id="SS-40",
        steps=(),
        quantity=1,
        coupons=0,
        as_modelled=True,
        accreditations=(),
        approved_sites=(),
    )
    machines = tuple(m for m in scenario.network.machines if m.machine_id == "M4")
    scenario = replace(scenario, lines=(line,), parts=parts, network=replace(scenario.network, machines=machines))
    result = plan_scenario(scenario, RunParams(seconds=None, work=5))
    assert result.gap is not None
    assert 0 <= result.gap < 0.08


def test_the_closed_form_claims_no_more_than_the_programme() -> None:
    problem = Problem(toy_scenario(20, 4))
    bound = lower_bound(problem, range(20))
    assert bound is not None
    assert bound.cents <= bound.solver_cents + 1
    # Fewer lines can only cost less.
    fewer = lower_bound(problem, range(10))
    assert fewer is not None and fewer.cents < bound.cents


def test_stops_that_overlap_count_once_in_the_bound() -> None:
    scenario = toy_scenario(5, 1)
    stop = Maintenance(NOW, NOW + timedelta(days=3))
    machines = tuple(replace(m, maintenance=(stop,) * 8) for m in scenario.network.machines)
    scenario = replace(scenario, network=replace(scenario.network, machines=machines))
    result = plan_scenario(scenario, RunParams(seconds=None, work=10))
    assert result.bound_cents is not None and result.bound_cents < result.plan.totals.landed_cents
    assert audit(scenario, result.plan).clean


def test_a_change_of_alloy_without_hours_still_costs_its_consumables() -> None:
    scenario = toy_scenario(12, 2)
    rules = (ChangeoverRule("*", "*", 0.0, 25_000),)
    scenario = replace(scenario, network=replace(scenario.network, changeovers=rules))
    result = plan_scenario(scenario, RunParams(seconds=None, work=10))
    for plan in (result.plan, result.habit):
        assert audit(scenario, plan).clean
    assert any(b.changeover for b in result.habit.builds)


def test_round_figures_do_not_part_the_search_from_its_plan() -> None:
    scenario = toy_scenario(10, 3)
    parts = {name: replace(part, volume_mm3=float(round(part.volume_mm3, -3))) for name, part in scenario.parts.items()}
    sets = tuple(replace(p, build_rate_cm3_h=12.0, support_density=0.0) for p in scenario.network.parameter_sets)
    alloys = tuple(replace(a, powder_cents_per_kg=5000, powder_loss_fraction=0.05) for a in scenario.network.alloys)
    network = replace(scenario.network, parameter_sets=sets, alloys=alloys)
    scenario = replace(scenario, parts=parts, network=network)
    result = plan_scenario(scenario, RunParams(seconds=None, work=20))
    assert result.trace[-1].landed_cents == result.plan.totals.landed_cents
    assert audit(scenario, result.plan).clean


def test_lines_left_out_for_want_of_a_place_void_the_gap_and_say_so() -> None:
    """Accredited lines for one machine whose accreditation ends in two days: only the first fit in."""
    scenario = toy_scenario(1, 5)
    line = replace(
        scenario.lines[0],
        model="slab.stl",
        alloy_id="SS",
        parameter_set_id="SS-40",
        steps=(),
        quantity=1,
        coupons=0,
        as_modelled=True,
        accreditations=("EN 9100",),
        approved_sites=(),
        release_at=NOW,
    )
    lines = tuple(replace(line, line_id=f"A{k}") for k in range(4))
    until = (NOW + timedelta(days=2)).date()
    sites = tuple(replace(s, credentials=(Credential("EN 9100", None, until),)) for s in scenario.network.sites)
    machines = tuple(m for m in scenario.network.machines if m.machine_id == "M4")
    scenario = replace(
        scenario,
        lines=lines,
        parts={"slab.stl": box_part("slab", 215.0, 215.0, 120.0)},
        network=replace(scenario.network, machines=machines, sites=sites),
    )
    result = plan_scenario(scenario, RunParams(seconds=None, work=20))
    assert 0 < len(result.plan.unplanned) < 4
    assert result.gap is None
    assert result.status == Status.FEASIBLE.value
    left_out = result.plan.unplanned[0]
    assert any("no place was found in the queues" in reason for reason in left_out.reasons)
    table = next(o for o in result.options if o.line_id == left_out.line_id)
    assert "no place was found" in table.sentence


def test_the_first_plan_is_cheaper_than_habit_on_a_mixed_book() -> None:
    problem = Problem(toy_scenario(30, 6))
    assert first_plan(problem, 0, Silent()).total_cents < habit_state(problem).total_cents


def test_habit_sends_each_line_to_its_nearest_able_site() -> None:
    scenario = toy_scenario(25, 7)
    # With every change of alloy permitted no queue can shut a line out of its nearest site.
    network = replace(scenario.network, changeovers=scenario.network.changeovers[2:])
    problem = Problem(replace(scenario, network=network))
    state = habit_state(problem)
    for line in range(len(problem.lines)):
        if state.on[line] and not problem.lines[line].accreditations:
            assert state.site_of(line) == problem.sites_by_distance(line)[0]


def test_a_line_whose_model_is_below_what_machines_make_is_left_unplanned_with_the_reason() -> None:
    scenario = toy_scenario(8, 2)
    victim = scenario.lines[3]
    tiny = box_part("tiny", 1e-6, 1e-6, 1e-6)
    line = replace(victim, model="tiny.stl")
    lines = tuple(line if x is victim else x for x in scenario.lines)
    scenario = replace(scenario, lines=lines, parts={**scenario.parts, "tiny.stl": tiny})
    result = plan_scenario(scenario, RunParams(seed=1, seconds=None, work=5), Silent())
    (left,) = [u for u in result.plan.unplanned if u.line_id == line.line_id]
    assert any("1e-06" in text for text in left.reasons), left
    assert audit(scenario, result.plan).clean


def test_a_time_limit_passed_by_the_first_plan_is_told_as_such() -> None:
    heard = Recorder()
    params = RunParams(seed=3, seconds=2.0, workers=1)
    result = plan_scenario(toy_scenario(12, 1), params, heard, started=time.monotonic() - 71.0)
    assert result.work == 0
    assert re.fullmatch(
        r"time limit of 2 s; the first plan alone took 7\d s, nothing was searched", result.stop_reason
    ), result.stop_reason
    assert heard.end is not None and heard.end[1] == result.stop_reason


def test_habit_and_bound_of_a_large_book_come_after_its_plan_and_in_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("router.planning.solve._PROOF_FIRST_LINES", 5)
    monkeypatch.setattr("router.planning.solve._PROOF_TIMES", 1e9)
    began = time.monotonic()
    at: dict[str, float] = {}

    class Phases(Recorder):
        def phase(self, name: str, total: int | None) -> None:
            super().phase(name, total)
            at.setdefault(name, time.monotonic() - began)

    result = plan_scenario(toy_scenario(12, 1), RunParams(seed=1, seconds=5.0), Phases(), started=began)
    first_s, ready_s = result.trace[0].seconds, result.trace[-1].seconds
    assert at["search"] < ready_s <= at["lower bound"] < 5.0
    assert ready_s < first_s + 0.6 * (5.0 - first_s) + 0.5
    assert result.bound_cents is not None and result.stop_reason in {"time limit of 5 s", "bound reached"}


def test_the_auditor_finds_a_plan_that_builds_what_cannot_be_made() -> None:
    scenario = toy_scenario(4, 2)
    plan = plan_scenario(scenario, RunParams(seed=1, seconds=None, work=5), Silent()).plan
    model = next(scenario.line[p.line_id].model for b in plan.builds for p in b.pieces if p.line_id)
    flat = replace(scenario.parts[model], volume_mm3=0.0)
    broken = replace(scenario, parts={**scenario.parts, model: flat})
    assert "part-cannot-be-made" in {f.code for f in audit(broken, plan).findings}
