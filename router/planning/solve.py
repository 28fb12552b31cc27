"""One planning run: compile, today's habit, bound, first plan, search, trade-offs, result."""

from __future__ import annotations

import importlib.metadata
import platform
import random
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from router.domain.network import Scenario
from router.domain.result import Result, TracePoint
from router.kernel.run import AnyOf, Cancelled, GapReached, Listener, Silent, Status, Stop, TimeLimit, WorkLimit
from router.kernel.seeds import child_seed
from router.planning.bound import Bound, lower_bound
from router.planning.habit import habit_state
from router.planning.insertion import Inserter
from router.planning.key_figures import key_figures
from router.planning.problem import Problem
from router.planning.publish import publish
from router.planning.removal import remove, whole_lines
from router.planning.search import Search, SearchParams
from router.planning.state import State, Undo
from router.planning.trade_offs import trade_offs

_FEW_ROUNDS = 20
"""A search of no more rounds had no time worth the name."""
_LEAST_TABLE_S = 20.0
"""Time that the tables of options may take even after a short run, in seconds."""


@dataclass(frozen=True, slots=True)
class RunParams:
    """How long and how a run searches."""

    seed: int = 0
    seconds: float | None = 30.0
    """Wall-clock budget of a run up to the end of its search; None for no time limit."""
    work: int | None = None
    """Search iterations; with one and no time limit, equal seeds give equal plans bit for bit."""
    search: SearchParams = field(default_factory=SearchParams)

    def __post_init__(self) -> None:
        if self.seconds is None and self.work is None:
            raise ValueError("a run needs a time limit, a work limit or both")
        if self.seconds is not None and self.seconds <= 0:
            raise ValueError(f"seconds must be above 0, found {self.seconds:g}")
        if self.work is not None and self.work < 0:
            raise ValueError(f"work must not be negative, found {self.work}")


def plan_scenario(
    scenario: Scenario,
    params: RunParams | None = None,
    listener: Listener | None = None,
    cancel: threading.Event | None = None,
    started: float | None = None,
) -> Result:
    """Plan a scenario. Lines nobody can build come back unplanned with reasons; that is a result, not an error.

    ``started`` (monotonic seconds) counts work done before, such as reading the scenario, into the time budget.
    """
    params = params or RunParams()
    listener = listener or Silent()
    started = time.monotonic() if started is None else started
    listener.phase("who may build what", None)
    problem = Problem(scenario)
    listener.phase("today's habit", None)
    habit = habit_state(problem)
    habit_plan = publish(habit, "today's habit", params.seed)
    listener.phase("first plan", len(problem.lines))
    state = first_plan(problem, params.seed, listener)
    if (state.missing(), state.total_cents) > (habit.missing(), habit.total_cents):
        state = habit
    listener.phase("lower bound", None)
    placed = state.placed_lines()
    bound = lower_bound(problem, placed, params.seconds)
    if bound is not None:
        listener.bound(bound.cents, time.monotonic() - started)
    stop, fraction = _budget(params, started, cancel)
    listener.phase("search", params.work)
    search = Search(
        state,
        child_seed(params.seed, "search"),
        stop,
        fraction,
        listener,
        started,
        bound.cents if bound and not state.missing() else None,
        params.search,
    )
    log = search.run()
    if not log.stop_reason.startswith("gap"):
        listener.phase("last improvements", len(problem.lines))
        # A run that spent its time before the search keeps to its limit all the more.
        until = None if params.seconds is None or log.work > _FEW_ROUNDS else started + params.seconds
        polish(state, listener.step, cancel, until)
    log.trace.append(TracePoint(round(time.monotonic() - started, 3), log.work, state.total_cents))
    if state.placed_lines() != placed:
        bound = lower_bound(problem, state.placed_lines(), params.seconds)
    plan = publish(state, "optimizer", params.seed)
    landed = plan.totals.landed_cents
    status = _status(log.stop_reason, landed, bound, state.missing())
    listener.ended(status, log.stop_reason)
    listener.phase("ship or print local", len(problem.lines))
    table_seconds = None if params.seconds is None else max(_LEAST_TABLE_S, params.seconds / 2)
    options = trade_offs(state, listener.step, None if table_seconds is None else time.monotonic() + table_seconds)
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
        workers=1,
        trace=tuple(log.trace),
        options=options,
        versions=_versions(),
    )


def polish(
    state: State, step: Callable[[int], None], cancel: threading.Event | None = None, until: float | None = None
) -> None:
    """Move each line by itself to its best place where that makes the plan cheaper: the moves the tables would show."""
    for done, line in enumerate(range(len(state.problem.lines)), start=1):
        if (cancel is not None and cancel.is_set()) or (until is not None and time.monotonic() > until):
            return
        before = state.total_cents
        journal: list[Undo] = []
        inserter = Inserter(state, random.Random(line))
        if state.on[line]:
            moved = remove(state, whole_lines(state, [line]), journal) and inserter.insert(line, journal)
            if not moved or state.total_cents >= before:
                state.undo_to(journal, 0)
        elif state.problem.machines_for(line):
            inserter.insert(line, journal)
        step(done)


def first_plan(problem: Problem, seed: int, listener: Listener) -> State:
    """Constructive insertion: lines with fewest places first, then by due date; each at its cheapest place."""
    state = State(problem)
    inserter = Inserter(state, random.Random(child_seed(seed, "first plan")))
    order = sorted(
        (i for i in range(len(problem.lines)) if problem.machines_for(i)),
        key=lambda i: (problem.due[i] // 4, len(problem.sites_for(i)), -problem.bulk[i], i),
    )
    journal: list[Undo] = []
    for done, line in enumerate(order, start=1):
        inserter.insert(line, journal)
        journal.clear()
        listener.step(done)
    return state


def _budget(params: RunParams, started: float, cancel: threading.Event | None) -> tuple[Stop, _Fraction]:
    rules: list[Stop] = [GapReached(0.0)]
    if params.seconds is not None:
        rules.append(TimeLimit(params.seconds, started))
    if params.work is not None:
        rules.append(WorkLimit(params.work))
    if cancel is not None:
        rules.append(Cancelled(cancel))
    return AnyOf(rules), _Fraction(params, started, time.monotonic())


class _Fraction:
    """How much of the search's budget is used."""

    def __init__(self, params: RunParams, started: float, begun: float) -> None:
        self._begun = begun
        self._seconds = None if params.seconds is None else max(0.001, params.seconds - (begun - started))
        self._work = params.work

    def __call__(self, work: int) -> float:
        # With a work limit the clock has no say, so that equal seeds anneal alike.
        if self._work is not None:
            return work / max(1, self._work)
        if self._seconds is None:
            return 1.0
        return (time.monotonic() - self._begun) / self._seconds


def _status(reason: str, landed_cents: int, bound: Bound | None, missing: int) -> Status:
    if bound is not None and landed_cents <= bound.cents and not missing:
        return Status.OPTIMAL
    return Status.CANCELLED if reason == "cancelled" else Status.FEASIBLE


def _versions() -> tuple[tuple[str, str], ...]:
    names = ("platewright", "numpy", "scipy", "numba", "shapely", "trimesh", "manifold3d", "holidays", "tzdata")
    found = [("python", platform.python_version())]
    found += [(n, importlib.metadata.version(n)) for n in names]
    return tuple(found)
