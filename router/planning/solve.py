"""One planning run: compile, today's habit, bound, first plan, search, trade-offs, result."""

from __future__ import annotations

import importlib.metadata
import platform
import random
import threading
import time
from collections.abc import Collection, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

from router.domain.network import Scenario
from router.domain.plan import Plan
from router.domain.result import Result, TracePoint
from router.kernel.faults import CalledOff, Conflict
from router.kernel.run import Heeding, Listener, Silent, Status
from router.kernel.seeds import child_seed
from router.planning.bound import Bound, lower_bound
from router.planning.compiled import Compiled, compiled
from router.planning.draft_plan import adopt
from router.planning.habit import habit_state
from router.planning.insertion import Inserter
from router.planning.key_figures import key_figures
from router.planning.problem import Problem
from router.planning.publish import publish
from router.planning.removal import remove, whole_lines
from router.planning.state import State, Undo
from router.planning.trade_offs import trade_offs
from router.planning.warm_start import LITTLE_HEAT, WarmStart, warm_start
from router.scheduling.compiling import compiling_told
from router.scheduling.draft import Draft
from router.scheduling.search import Knobs, make_again, quick_plan, tidy, worth_a_quick_plan
from router.scheduling.search import first_plan as first_draft
from router.scheduling.solve import SolveParams, sizes_for, solve, workers_for

_TIDY_SHARE = 0.1
"""Share of the search's time kept for moving every line to its best place at the end."""
_BOUND_SHARE = 0.3
"""Share of the time that is left which the bound may take."""
_PROOF_FIRST_LINES = 2_000
"""Larger books are searched first; habit and bound, which take long there, come after."""
_PROOF_SHARE, _PROOF_TIMES = 0.4, 2.0
"""Share of the time left after the first plan, and how often the time up to it, that habit and bound get at most."""
_GRACE_S = 1.0
"""A first plan that is nearly there when the run is called off is made to its end for so long."""
_LEAST_TABLE_S = 20.0
"""Time that the tables of options may take even after a short run, in seconds."""


@dataclass(frozen=True, slots=True)
class RunParams:
    """How long and how a run searches."""

    seed: int = 0
    seconds: float | None = 30.0
    """Wall-clock budget of a run up to the end of its search; None for no time limit."""
    work: int | None = None
    """Search rounds; with some, no time limit and one worker, equal seeds give equal plans bit for bit."""
    workers: int | None = 1
    """Processes that search; None for as many as pay on this machine and network."""

    def __post_init__(self) -> None:
        if self.seconds is None and self.work is None:
            raise ValueError("a run needs a time limit, a work limit or both")
        if self.seconds is not None and self.seconds <= 0:
            raise ValueError(f"seconds must be above 0, found {self.seconds:g}")
        if self.work is not None and self.work < 0:
            raise ValueError(f"work must not be negative, found {self.work}")
        if self.workers is not None and self.workers < 1:
            raise ValueError(f"a run needs 1 worker or more, found {self.workers}")


def plan_scenario(
    scenario: Scenario,
    params: RunParams | None = None,
    listener: Listener | None = None,
    cancel: threading.Event | None = None,
    started: float | None = None,
    executor: Executor | None = None,
    start: Plan | None = None,
    keep: Collection[str] = (),
    keep_if_able: Collection[str] = (),
) -> Result:
    """Plan a scenario. Lines nobody can build come back unplanned with reasons; that is a result, not an error.

    ``started`` (monotonic seconds) counts work done before, such as reading the scenario, into the time budget;
    ``executor`` is where workers run (processes of our own without one).

    ``start``: a plan to begin with, of this scenario or an earlier state of it; what no longer stands is left out, and
    the search stays near the rest (``disturbance`` counts what moved). ``keep``: builds of it that stay as they are,
    with what runs before them on their machines. Raises NotFound for one that is not there, Conflict for one that
    cannot stay. ``keep_if_able``: builds that stay likewise if they can; the result tells of those that cannot.

    After a ``cancel`` the best plan so far is the result; raises CalledOff when none is there within a second.
    """
    if (keep or keep_if_able) and start is None:
        raise ValueError("builds to keep are those of a plan to start from, and none was given")
    started = time.monotonic() if started is None else started
    with compiling_told(listener or Silent()) as told:
        return _planned(scenario, params or RunParams(), told, cancel, started, executor, start, keep, keep_if_able)


def _planned(
    scenario: Scenario,
    params: RunParams,
    listener: Listener,
    cancel: threading.Event | None,
    started: float,
    executor: Executor | None,
    start: Plan | None,
    keep: Collection[str],
    keep_if_able: Collection[str],
) -> Result:
    listener.phase("who may build what", None)
    problem = Problem(scenario)
    heeding = Heeding(listener, cancel, _GRACE_S)
    begun: WarmStart | None = None
    quick: list[TracePoint] = []
    if start is None:
        arrays = compiled(problem)
        listener.phase("first plan", len(problem.lines))
        draft = _first_draft(arrays, params.seed, heeding, started, quick)
    else:
        listener.phase("plan to start from", None)
        begun = warm_start(problem, start, keep, params.seed, keep_if_able, heeding)
        arrays, draft = begun.arrays, begun.draft
    first_s = time.monotonic() - started
    # From here on there is a plan to fall back on, whatever comes.
    draft_cents = draft.cents
    listener.incumbent(draft_cents, first_s)
    able = frozenset(i for i in range(len(problem.lines)) if problem.machines_for(i))
    proof_first = len(problem.lines) <= _PROOF_FIRST_LINES
    bound: Bound | None = None
    if proof_first:
        habit, bound = _beside(problem, able, params, _BOUND_SHARE, listener, started, cancel)
    state, log = _search(
        problem,
        arrays,
        draft,
        begun,
        params,
        params.seconds if proof_first else _search_ends_s(params.seconds, first_s),
        bound,
        listener,
        cancel,
        started,
        executor,
    )
    log.trace[:0] = [*quick, TracePoint(round(first_s, 3), 0, draft_cents)]
    plan = publish(state, "optimizer", params.seed)
    log.trace.append(TracePoint(round(time.monotonic() - started, 3), log.work, plan.totals.landed_cents))
    if not proof_first:
        habit, bound = _beside(problem, able, params, 1.0, listener, started, cancel)
    habit_plan = publish(habit, "today's habit", params.seed)
    # A plan that was begun with is not thrown over for a habit that keeps none of its builds.
    if start is None and (state.missing(), state.total_cents) > (habit.missing(), habit.total_cents):
        state = habit
        plan = publish(state, "optimizer", params.seed)
        log.trace.append(TracePoint(round(time.monotonic() - started, 3), log.work, plan.totals.landed_cents))
    if state.placed_lines() != able:
        # The bound of all lines does not hold for fewer; a run called off has no time for another and tells none.
        bound_s = None if params.seconds is None else _BOUND_SHARE * params.seconds
        bound = None if _set(cancel) else lower_bound(problem, state.placed_lines(), bound_s, cancel=cancel)
        if bound is not None:
            listener.bound(bound.cents, time.monotonic() - started)
    landed = plan.totals.landed_cents
    status = _status(log.stop_reason, landed, bound, state.missing())
    listener.ended(status, log.stop_reason)
    listener.phase("ship or print local", len(problem.lines))
    table_seconds = None if params.seconds is None else max(_LEAST_TABLE_S, params.seconds / 2)
    until = None if table_seconds is None else time.monotonic() + table_seconds
    options = trade_offs(state, listener.step, until, cancel)
    gap = (landed - bound.cents) / landed if bound is not None and landed > 0 and not state.missing() else None
    return Result(
        plan=plan,
        kpis=key_figures(problem, plan),
        habit=habit_plan,
        habit_kpis=key_figures(problem, habit_plan),
        bound_cents=bound.cents if bound else None,
        gap=gap,
        status=status.value,
        stop_reason=log.stop_reason,
        seed=params.seed,
        work=log.work,
        seconds=round(time.monotonic() - started, 3),
        workers=log.workers,
        trace=tuple(log.trace),
        options=options,
        versions=_versions(),
        left_out=(begun.left_out if begun else ()) + log.released,
    )


def _search_ends_s(seconds: float | None, first_s: float) -> float | None:
    """When the search of a large book ends, so that habit and bound are likely there in time as well.

    Both grow with the book as its first plan does, which was there after ``first_s`` seconds.
    """
    if seconds is None:
        return None
    return seconds - min(_PROOF_SHARE * max(0.0, seconds - first_s), _PROOF_TIMES * first_s)


def _beside(
    problem: Problem,
    able: frozenset[int],
    params: RunParams,
    share: float,
    listener: Listener,
    started: float,
    cancel: threading.Event | None,
) -> tuple[State, Bound | None]:
    """What the plan is measured against: today's habit, and the least any plan can cost, for which ``share`` of the
    time left is there.

    The habit is worked out to its end even when the run is cancelled, for half of it would compare with nothing.
    """
    listener.phase("today's habit", None)
    habit = habit_state(problem)
    if _set(cancel):
        return habit, None
    listener.phase("lower bound", None)
    left = None if params.seconds is None else max(1.0, share * (started + params.seconds - time.monotonic()))
    bound = lower_bound(problem, able, left, cancel)
    if bound is not None:
        listener.bound(bound.cents, time.monotonic() - started)
    return habit, bound


@dataclass
class _Log:
    trace: list[TracePoint]
    work: int
    stop_reason: str
    workers: int
    released: tuple[str, ...] = ()
    """Builds to be kept if able that were not, and why."""


def _search(
    problem: Problem,
    arrays: Compiled,
    first: Draft,
    begun: WarmStart | None,
    params: RunParams,
    ends_s: float | None,
    bound: Bound | None,
    listener: Listener,
    cancel: threading.Event | None,
    started: float,
    executor: Executor | None,
) -> tuple[State, _Log]:
    """Search from a first plan until ``ends_s``, last improvements, and the exact state of what they found."""
    firm = begun.firm if begun else None
    seconds = ends_s
    begun_s = time.monotonic() - started
    if seconds is not None:
        left = max(0.0, started + seconds - time.monotonic())
        seconds -= _TIDY_SHARE * left
    outcome = solve(
        arrays.shop,
        arrays.rooms,
        SolveParams(
            child_seed(params.seed, "search"),
            seconds,
            params.work,
            workers_for(len(problem.machines)) if params.workers is None else params.workers,
            knobs=Knobs() if firm is None else LITTLE_HEAT,
        ),
        bound=bound.cents if bound else None,
        listener=listener,
        cancel=cancel,
        executor=executor,
        start=first.unload(),
        firm=firm,
        started=started,
    )
    draft = outcome.draft
    reason = outcome.stop_reason
    if reason != "cancelled":
        listener.phase("last improvements", len(problem.lines))
        try:
            tidy(draft, None if ends_s is None else started + ends_s, Heeding(listener, cancel))
        except CalledOff:
            reason = "cancelled"  # every step of it leaves a whole plan
    state = adopt(problem, arrays, draft)
    released: tuple[str, ...] = ()
    if begun is None:
        fill_gaps(state)
    else:
        state.firm = list(begun.firm)
        released = tuple(r.sentence(problem, begun.names) for r in fill_gaps(state, begun.must))
    trace = [TracePoint(s, w, c) for s, w, c in outcome.trace]
    if params.seconds is not None and reason.startswith("time limit"):
        # The search's own limit is shorter by what the last improvements get.
        reason = f"time limit of {params.seconds:g} s"
        if outcome.work == 0 and begun_s >= params.seconds:
            reason += f"; the first plan alone took {begun_s:.0f} s, nothing was searched"
    return state, _Log(trace, outcome.work, reason, outcome.workers, released)


@dataclass(frozen=True, slots=True)
class Released:
    """Builds at the front of a queue that were to be kept if able, from a position on."""

    machine: int
    position: int
    line: int
    """The line on account of which."""

    def sentence(self, problem: Problem, names: Sequence[Sequence[str]]) -> str:
        """For people; ``names`` of the builds by machine."""
        build, line = names[self.machine][self.position], problem.lines[self.line]
        return (
            f"build {build} and what is behind it were not kept: beside it the rest of line {line.line_id}, which "
            "stands on it, finds no place"
        )


def fill_gaps(state: State, must: Sequence[int] | None = None) -> list[Released]:
    """Place what the exact rules took out of a draft, or what the search found no place for.

    ``must``: by machine, so many of its firm builds have to stay (None: all of them). Raises Conflict when a line that
    stands on one of these finds no place for the rest of its pieces; others are released for it, and told.
    """
    inserter = Inserter(state, random.Random(0))
    journal: list[Undo] = []
    released: list[Released] = []
    for line, wanted in enumerate(state.problem.lines):
        if state.problem.machines_for(line) and state.placed(line) < wanted.quantity:
            if not inserter.insert(line, journal):
                # All of a line or nothing of it: what stands is taken out, and the line is said to be missing.
                let_go = _let_go(state, line, state.firm if must is None else must)
                remove(state, whole_lines(state, [line]), journal)
                if let_go:
                    inserter.insert(line, journal)  # all of it anew, now that what held it is loose
                released += let_go
            journal.clear()
    return released


def _let_go(state: State, line: int, must: Sequence[int]) -> list[Released]:
    """Release the firm builds a line stands on, with what is behind them. Raises Conflict when one has to stay."""
    found = []
    for k, firm in enumerate(state.firm):
        on = [n for n, plate in enumerate(state.sequence[k][:firm]) if plate in state.on[line]]
        if on and on[0] < must[k]:
            name = state.problem.lines[line].line_id
            raise Conflict(f"line {name}: beside the builds to be kept the rest of its pieces finds no place")
        if on:
            found.append(Released(k, on[0], line))
    for release in found:
        state.firm[release.machine] = release.position
    return found


def first_plan(problem: Problem, seed: int, listener: Listener) -> State:
    """The plan the search begins with: every line at its cheapest place, one after another."""
    arrays = compiled(problem)
    state = adopt(problem, arrays, _first_draft(arrays, seed, listener, time.monotonic(), []))
    fill_gaps(state)
    return state


def _first_draft(arrays: Compiled, seed: int, listener: Listener, started: float, quick: list[TracePoint]) -> Draft:
    """The first plan; on a book of middling size a quicker one is told before, and kept when that is called off."""
    draft = Draft(arrays.shop, arrays.rooms, sizes_for(arrays.shop), child_seed(seed, "draft") % (1 << 31))
    if not worth_a_quick_plan(draft):
        first_draft(draft, listener)
        return draft
    quick_plan(draft, listener)
    seconds = time.monotonic() - started
    quick.append(TracePoint(round(seconds, 3), 0, draft.cents))
    listener.incumbent(draft.cents, seconds)
    listener.phase("first plan, with more care", len(draft.quantity))
    make_again(draft, lambda: first_draft(draft, listener))
    return draft


def _set(cancel: threading.Event | None) -> bool:
    return cancel is not None and cancel.is_set()


def _status(reason: str, landed_cents: int, bound: Bound | None, missing: int) -> Status:
    if bound is not None and landed_cents <= bound.cents and not missing:
        return Status.OPTIMAL
    return Status.CANCELLED if reason == "cancelled" else Status.FEASIBLE


def _versions() -> tuple[tuple[str, str], ...]:
    names = ("platewright", "numpy", "scipy", "numba", "shapely", "trimesh", "manifold3d", "holidays", "tzdata")
    found = [("python", platform.python_version())]
    found += [(n, importlib.metadata.version(n)) for n in names]
    return tuple(found)
