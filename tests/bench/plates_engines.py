"""The engines that answer a problem of plates of parts."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping

from tests.bench.plan_case import Ask, Engine, Found
from tests.bench.plan_side import measure
from tests.bench.plates_problem import PlatesProblem


def engines(problem: PlatesProblem) -> Mapping[str, Engine]:
    """Ours first; modules are loaded when asked, so that one engine's libraries are not in another's memory."""

    def ours(ask: Ask) -> Found:
        from tests.bench import plates_ours

        return plates_ours.ours(problem, ask)

    def cpsat(ask: Ask) -> Found:
        from tests.bench import plates_cpsat

        return plates_cpsat.solve(problem, ask)

    def habit(ask: Ask) -> Found:
        from tests.bench import plates_rules

        return plates_rules.habit(problem, ask)

    def greedy(ask: Ask) -> Found:
        from tests.bench import plates_rules

        return plates_rules.greedy(problem, ask)

    return {"ours": ours, "cpsat": cpsat, "habit": habit, "greedy": greedy}


def warm_up(problem: PlatesProblem) -> Callable[[], None]:
    """A few rounds on the problem itself, and the list rule."""

    def run() -> None:
        from tests.bench import plates_ours, plates_rules

        plates_ours.warm_up(problem)
        plates_rules.habit(problem, Ask(1.0, 1, 1, time.monotonic()))

    return run


def prepare_cpsat(problem: PlatesProblem) -> Callable[[], None]:
    """Tables of displacements, kept for later cases with the same outlines."""

    def run() -> None:
        from tests.bench import plates_cpsat

        plates_cpsat.prepare(problem)

    return run


def prove_by_area(problem: PlatesProblem, bound: float) -> Callable[[float], float | None]:
    """A stronger bound than a closed form, in a process of its own."""

    def run(seconds: float) -> float | None:
        if seconds <= 0:
            return None

        def relaxation(ask: Ask) -> Found:
            from tests.bench import plates_cpsat

            return plates_cpsat.area_bound(problem, ask)

        found = measure(relaxation, seconds, 1, 1).found.bound
        return bound if found is None else max(bound, found)

    return run
