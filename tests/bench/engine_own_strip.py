"""Our own strip search, without the library that the project's strip function prefers for outlines without holes."""

from __future__ import annotations

from tests.bench import engine_ours
from tests.bench.cases import Case
from tests.bench.layout import Answer

warm_up = engine_ours.warm_up


def solve(case: Case, seconds: float, seed: int, end: float) -> Answer:
    """The shortest strip found by our own search."""
    return engine_ours.solve(case, seconds, seed, end, engine="own")
