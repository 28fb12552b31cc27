"""One planning run of a scenario folder as the command line would do it, with every figure the benchmark records."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from router.audit import audit
from router.domain.plan import Plan
from router.domain.result import Kpis, Result
from router.formats import read_scenario
from router.planning.solve import RunParams, plan_scenario
from tests.bench.plan_case import Ask, Beside, Found

_MOST_FINDINGS = 3


class _Phases:
    """Listener that notes when each phase of a run began, in seconds from ``began``."""

    def __init__(self, began: float) -> None:
        self._began = began
        self.at: list[tuple[str, float]] = []

    def phase(self, name: str, steps: int | None) -> None:
        self.at.append((name, round(time.monotonic() - self._began, 3)))

    def step(self, done: int) -> None: ...

    def incumbent(self, value: float, seconds: float) -> None: ...

    def bound(self, value: float, seconds: float) -> None: ...

    def ended(self, status: str, reason: str) -> None: ...


def ours(folder: Path, cache: Path, ask: Ask, audited: bool) -> Found:
    """Read, plan, audit. Reading counts into the time asked; the tables of options and the audit come after it."""
    scenario = read_scenario(folder, cache)
    read_s = round(time.monotonic() - ask.began, 3)
    phases = _Phases(ask.began)
    limit = None if ask.work is not None else ask.seconds
    params = RunParams(seed=ask.seed, seconds=limit, work=ask.work, workers=ask.workers)
    result = plan_scenario(scenario, params, phases, started=ask.began)
    plan_s = result.trace[-1].seconds if result.trace else result.seconds
    more = {
        "read_seconds": read_s,
        "first_plan_seconds": result.trace[0].seconds if result.trace else None,
        "phases": phases.at,
        "trace": [(p.seconds, p.landed_cents) for p in result.trace],
        **_figures("", result.kpis),
        **_figures("habit_", result.habit_kpis),
        **_unders(result),
    }
    status = ""
    if audited:
        wrong = _findings(lambda plan: audit(scenario, plan).findings, {"plan": result.plan, "habit": result.habit})
        more["audit_findings"] = len(wrong)
        if any(w.startswith("plan") for w in wrong):
            status = f"audit: {len(wrong)} findings, {'; '.join(wrong[:_MOST_FINDINGS])}"
    else:
        more["audit_findings"] = None
    best = min(result.trace, key=lambda p: (p.landed_cents, p.seconds)) if result.trace else None
    beside = {"habit": Beside(result.habit_kpis.landed_cents, _begun(phases, "lower bound"))}
    if result.trace:
        beside["greedy"] = Beside(result.trace[0].landed_cents, result.trace[0].seconds)
    return Found(
        None if status else result.kpis.landed_cents,
        bound=result.bound_cents,
        status=status,
        to_best_s=best.seconds if best else None,
        note=f"{result.work} rounds; {result.stop_reason}",
        rounds=result.work,
        ready_s=plan_s,
        beside=beside,
        more=more,
    )


def warm_up(folder: Path, cache: Path) -> None:
    """A few rounds on a small scenario, so that every kernel is compiled."""
    scenario = read_scenario(folder, cache)
    result = plan_scenario(scenario, RunParams(seed=1, seconds=None, work=60))
    audit(scenario, result.plan)


def measure_models(folder: Path, cache: Path) -> None:
    """Measure a folder's models once, so that the runs find them measured."""
    read_scenario(folder, cache)


def _figures(prefix: str, kpis: Kpis) -> dict[str, float]:
    return {
        f"{prefix}landed_cents": kpis.landed_cents,
        f"{prefix}lateness_cents": kpis.lateness_cents,
        f"{prefix}late_lines": kpis.late_lines,
        f"{prefix}late_days": kpis.late_days,
        f"{prefix}unplanned": kpis.lines_unplanned,
        f"{prefix}builds": kpis.builds,
    }


def _unders(result: Result) -> dict[str, float | None]:
    """By what share the plan is under today's habit."""

    def under(ours_is: float, habit_is: float) -> float | None:
        return round(1 - ours_is / habit_is, 6) if habit_is else None

    kpis, habit = result.kpis, result.habit_kpis
    return {
        "landed_under_habit": under(kpis.landed_cents, habit.landed_cents),
        "lateness_cents_under_habit": under(kpis.lateness_cents, habit.lateness_cents),
        "late_days_under_habit": under(kpis.late_days, habit.late_days),
    }


def _findings(look: Callable[[Plan], object], plans: dict[str, Plan]) -> list[str]:
    found: list[str] = []
    for name, plan in plans.items():
        listed = look(plan)
        assert isinstance(listed, tuple)
        found.extend(f"{name}: {f.sentence()}" for f in listed)
    return found


def _begun(phases: _Phases, name: str) -> float:
    return next((at for phase, at in phases.at if phase == name), 0.0)
