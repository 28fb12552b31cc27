"""Planning again from a plan: what still stands stays, what is to be kept stays exactly, and little else moves."""

from __future__ import annotations

import random
import threading
import time
from collections import Counter
from collections.abc import Collection
from dataclasses import replace

import pytest
from toy_scenario import toy_scenario

import router.planning.warm_start as warm
from router.audit import audit
from router.domain.network import Scenario
from router.domain.plan import Build, Plan
from router.domain.result import Result
from router.kernel.faults import CalledOff, Conflict, NotFound
from router.kernel.run import Silent
from router.planning import RunParams, plan_scenario
from router.planning.disturbance import disturbance
from router.planning.insertion import Inserter
from router.planning.problem import Problem
from router.planning.state import State, Undo
from router.planning.taken_up import take_up
from router.planning.trade_offs import STOPPED

NONE = RunParams(seed=1, seconds=None, work=0)
SOME = RunParams(seed=1, seconds=None, work=120)


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return toy_scenario(50, seed=8)


@pytest.fixture(scope="module")
def result(scenario: Scenario) -> Result:
    return plan_scenario(scenario, RunParams(seed=3, seconds=None, work=150))


def queues(plan: Plan) -> dict[str, list[Build]]:
    found: dict[str, list[Build]] = {}
    for build in sorted(plan.builds, key=lambda b: b.load_start):
        found.setdefault(build.machine_id, []).append(build)
    return found


def test_a_plan_begun_with_its_own_is_not_dearer_and_stays_near(scenario: Scenario, result: Result) -> None:
    again = plan_scenario(scenario, SOME, start=result.plan)
    assert again.plan.totals.landed_cents <= result.plan.totals.landed_cents
    assert audit(scenario, again.plan).clean
    afresh = plan_scenario(scenario, RunParams(seed=77, seconds=None, work=150))
    near, far = disturbance(result.plan, again.plan), disturbance(result.plan, afresh.plan)
    assert near.lines == far.lines
    # On so small a book a plan made afresh may come to the same machines; the builds tell.
    assert near.builds_as_before > far.builds_as_before


def test_the_habit_can_be_begun_with(scenario: Scenario, result: Result) -> None:
    # The habit stands pieces in orientations the search does not try by itself.
    again = plan_scenario(scenario, SOME, start=result.habit)
    assert again.plan.totals.landed_cents <= result.habit.totals.landed_cents
    assert audit(scenario, again.plan).clean


def test_kept_builds_stay_with_what_runs_before_them(scenario: Scenario, result: Result) -> None:
    # From the habit, so that there is much to gain by moving.
    rng = random.Random(4)
    moved = 0
    for seed in range(3):
        keep = [b.build_id for b in rng.sample(result.habit.builds, 3)]
        params = RunParams(seed=seed, seconds=None, work=150)
        again = plan_scenario(scenario, params, start=result.habit, keep=keep)
        assert audit(scenario, again.plan).clean
        old, new = queues(result.habit), queues(again.plan)
        for machine, builds in old.items():
            many = max((n for n, b in enumerate(builds, start=1) if b.build_id in keep), default=0)
            for before, after in zip(builds[:many], new.get(machine, [])[:many], strict=True):
                assert replace(after, build_id=before.build_id) == before
        moved += disturbance(result.habit, again.plan).lines_on_other_machines
    assert moved > 0, "the search moved nothing at all, so it was not tried"


def test_kept_builds_stay_when_lines_come_and_go(scenario: Scenario, result: Result) -> None:
    kept = min(result.plan.builds, key=lambda b: b.load_start)
    on_it = {s.line_id for s in kept.shares}
    gone = [x.line_id for x in scenario.lines if x.line_id not in on_it][::7]
    fresh = tuple(replace(x, line_id=f"new {x.line_id}") for x in scenario.lines[::9])
    lines = tuple(x for x in scenario.lines if x.line_id not in gone) + fresh
    other = replace(scenario, lines=lines, fingerprint="another book")
    again = plan_scenario(other, SOME, start=result.plan, keep=[kept.build_id])
    assert audit(other, again.plan).clean
    assert any(b.pieces == kept.pieces and b.run_start == kept.run_start for b in again.plan.builds)
    planned = {s.line_id for s in again.plan.shipments}
    assert all(x.line_id in planned for x in fresh if Problem(other).machines_for(lines.index(x)))
    seen = disturbance(result.plan, again.plan)
    assert seen.lines == len({s.line_id for s in result.plan.shipments} - set(gone))


def parted(scenario: Scenario, plan: Plan) -> tuple[str, list[Build], int] | None:
    """A line that wants, without its first lot, still as many pieces as that lot has; its builds; that lot's pieces."""
    lots = Counter(x.line_id for x in plan.lots)
    for line_id in sorted(line for line, many in lots.items() if many > 1):
        mine = sorted(
            (b for b in plan.builds if any(s.line_id == line_id for s in b.shares)), key=lambda b: b.load_start
        )
        first = next(s.pieces for s in mine[0].shares if s.line_id == line_id)
        # Of two lots that begin at one moment neither is the first.
        if 2 * first <= scenario.line[line_id].quantity and mine[0].load_start < mine[1].load_start:
            return line_id, mine, first
    return None


def stands(state: State, line: int) -> set[tuple[int, int]]:
    """Machine and start of every plate a line is on."""
    return {(state.plates[p].machine, state.times[p].load_start) for p in state.on[line]}


def test_pieces_nobody_wants_any_more_are_those_planned_first(scenario: Scenario) -> None:
    # Whether a line stands on several plates is the search's choice: some seed has one.
    plans = (plan_scenario(scenario, RunParams(seed=seed, seconds=None, work=30)).plan for seed in range(12))
    plan, (line_id, mine, first) = next((p, found) for p in plans if (found := parted(scenario, p)))
    quantity = scenario.line[line_id].quantity
    fewer = tuple(replace(x, quantity=quantity - first) if x.line_id == line_id else x for x in scenario.lines)
    other = replace(scenario, lines=fewer)
    problem = Problem(other)
    taken = take_up(problem, plan)
    line = [x.line_id for x in fewer].index(line_id)
    assert taken.state.placed(line) == quantity - first
    stand = stands(taken.state, line)
    assert len(stand) == len(mine) - 1
    assert any(line_id in why for why in taken.left_out)
    with pytest.raises(Conflict, match="plan again"):
        take_up(problem, plan, [b.build_id for b in mine])
    kept = take_up(problem, plan, [mine[0].build_id]).state
    assert kept.placed(line) == quantity - first and stands(kept, line) != stand


def test_a_machine_that_is_gone_frees_its_lines(scenario: Scenario, result: Result) -> None:
    name = result.plan.builds[0].machine_id
    network = replace(scenario.network, machines=tuple(m for m in scenario.network.machines if m.machine_id != name))
    other = replace(scenario, network=network)
    again = plan_scenario(other, NONE, start=result.plan)
    assert audit(other, again.plan).clean
    with pytest.raises(Conflict):
        plan_scenario(other, NONE, start=result.plan, keep=[result.plan.builds[0].build_id])


def test_names_and_arguments_that_make_no_sense(scenario: Scenario, result: Result) -> None:
    with pytest.raises(NotFound):
        plan_scenario(scenario, NONE, start=result.plan, keep=["no such build"])
    with pytest.raises(ValueError, match="start from"):
        plan_scenario(scenario, NONE, keep=[result.plan.builds[0].build_id])


def test_a_cancelled_run_has_a_plan_and_no_tables(scenario: Scenario) -> None:
    cancel = threading.Event()
    cancel.set()
    stopped = plan_scenario(scenario, RunParams(seed=1, seconds=60.0), cancel=cancel)
    assert stopped.status == "cancelled" and stopped.bound_cents is None
    assert audit(scenario, stopped.plan).clean and audit(scenario, stopped.habit).clean
    others = [s for o in stopped.options for s in o.sites if not s.chosen and not s.possible]
    assert any(s.reasons == (STOPPED,) for s in others)
    assert stopped.seconds < 20


def test_a_build_that_cannot_stay_is_let_go_with_what_is_behind_it_and_the_rest_is_kept(
    scenario: Scenario, result: Result
) -> None:
    old = queues(result.plan)
    longest = max(old.values(), key=len)
    stuck = longest[-1]
    line_id = stuck.shares[0].line_id
    fewer = tuple(x for x in scenario.lines if x.line_id != line_id)
    other = replace(scenario, lines=fewer, fingerprint="one line less")
    all_of_them = [b.build_id for b in result.plan.builds]
    again = plan_scenario(other, SOME, start=result.plan, keep_if_able=all_of_them)
    assert audit(other, again.plan).clean
    assert any(f"build {stuck.build_id} and what is behind it were not kept" in why for why in again.left_out)
    touched = {s.machine_id for s in result.plan.builds if any(x.line_id == line_id for x in s.shares)}
    new = queues(again.plan)
    for machine, builds in old.items():
        if machine not in touched:
            assert [b.pieces for b in new[machine][: len(builds)]] == [b.pieces for b in builds]
    with pytest.raises(Conflict, match="release it"):
        plan_scenario(other, SOME, start=result.plan, keep=[stuck.build_id], keep_if_able=all_of_them)
    with pytest.raises(ValueError, match="none was given"):
        plan_scenario(scenario, SOME, keep_if_able=all_of_them)


def test_a_build_kept_if_able_is_released_when_the_rest_of_a_line_on_it_finds_no_place(
    scenario: Scenario, result: Result, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One piece more is ordered than the kept build carries, and nothing takes that piece by itself."""
    lots = Counter(x.line_id for x in result.plan.lots)
    kept, line_id = next(
        (queue[0], s.line_id) for queue in queues(result.plan).values() for s in queue[0].shares if lots[s.line_id] == 1
    )
    number = [x.line_id for x in scenario.lines].index(line_id)
    lines = tuple(replace(x, quantity=x.quantity + 1) if x.line_id == line_id else x for x in scenario.lines)
    other = replace(scenario, lines=lines, fingerprint="one piece more")
    whole = Inserter.insert

    def nothing_by_itself(self: Inserter, line: int, journal: list[Undo], sites: Collection[str] | None = None) -> bool:
        return not (line == number and self.state.placed(line)) and whole(self, line, journal, sites)

    monkeypatch.setattr(Inserter, "insert", nothing_by_itself)
    monkeypatch.setattr(warm, "fill_gaps", lambda draft, listener=None: None)
    again = plan_scenario(other, NONE, start=result.plan, keep_if_able=[kept.build_id])
    assert audit(other, again.plan).clean
    assert any(
        f"build {kept.build_id} and what is behind it were not kept" in x and line_id in x for x in again.left_out
    )
    assert sum(x.pieces for x in again.plan.lots if x.line_id == line_id) == lines[number].quantity
    with pytest.raises(Conflict, match=f"line {line_id}: beside the builds to be kept"):
        plan_scenario(other, NONE, start=result.plan, keep=[kept.build_id])


class _Slow(Silent):
    """A first plan that takes long: every line of it a while. Called off at the second line."""

    def __init__(self, cancel: threading.Event) -> None:
        self.cancel = cancel
        self.phases: list[str] = []
        self.heard_s = 0.0

    def phase(self, name: str, total: int | None) -> None:
        self.phases.append(name)

    def step(self, done: int) -> None:
        if self.phases[-1] not in ("first plan", "plan to start from", "last improvements"):
            return
        time.sleep(0.1)
        if done == 2:
            self.heard_s = self.heard_s or time.monotonic()
            self.cancel.set()


def test_a_long_first_plan_is_called_off_within_about_a_second(scenario: Scenario, result: Result) -> None:
    for start in (None, replace(result.plan, builds=result.plan.builds[:2])):
        cancel = threading.Event()
        slow = _Slow(cancel)
        with pytest.raises(CalledOff, match="before there was a plan"):
            plan_scenario(scenario, RunParams(seed=1, seconds=60.0), slow, cancel, start=start)
        assert time.monotonic() - slow.heard_s < 2.5
        assert "search" not in slow.phases


def test_a_careful_first_plan_called_off_leaves_the_quick_one(
    scenario: Scenario, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("router.scheduling.search._QUICK_FROM", 1)
    cancel = threading.Event()

    class InTheCarefulOne(Silent):
        phase_now = ""

        def phase(self, name: str, total: int | None) -> None:
            super().phase(name, total)
            self.phase_now = name

        def step(self, done: int) -> None:
            if self.phase_now == "first plan, with more care":
                time.sleep(0.1)
                cancel.set()

    heard = InTheCarefulOne()
    # Longer by the sleeps than the second within which a plan that is nearly there may still come to its end.
    assert 0.1 * len(scenario.lines) > 1.2
    found = plan_scenario(scenario, RunParams(seed=1, seconds=60.0), heard, cancel)
    assert cancel.is_set() and found.status == "cancelled" and found.work == 0
    assert [p.landed_cents for p in found.trace[:2]] == [found.trace[0].landed_cents] * 2
    assert not found.plan.unplanned and audit(scenario, found.plan).clean


def test_the_better_of_quick_and_careful_first_plan_is_begun_with(
    scenario: Scenario, monkeypatch: pytest.MonkeyPatch
) -> None:
    params = RunParams(seed=1, seconds=None, work=0)
    alone = plan_scenario(scenario, params)
    monkeypatch.setattr("router.scheduling.search._QUICK_FROM", 1)
    both = plan_scenario(scenario, params)
    quick, begun = both.trace[0].landed_cents, both.trace[1].landed_cents
    assert begun == min(quick, alone.trace[0].landed_cents)
    assert both.trace[0].seconds < both.trace[1].seconds


def test_last_improvements_are_called_off_at_once_and_what_is_there_is_kept(scenario: Scenario) -> None:
    cancel = threading.Event()

    class OnlyAtTheEnd(_Slow):
        def step(self, done: int) -> None:
            if self.phases[-1] == "last improvements":
                assert not cancel.is_set(), "a step after the cancel"
                super().step(done)

    found = plan_scenario(scenario, RunParams(seed=1, seconds=None, work=20), OnlyAtTheEnd(cancel), cancel)
    assert cancel.is_set() and found.status == "cancelled" and found.stop_reason == "cancelled"
    assert audit(scenario, found.plan).clean
