"""The tasks of the sweep benchmark: the small scenario planned with a seed; found by workers under this name."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path

import scenarios
from router.domain.network import Scenario
from router.formats import read_scenario
from router.planning.solve import RunParams, plan_scenario
from router.whatif.sweep import Task

_ROUNDS = 400
"""Search rounds a plan: about half a second of a processor."""


def plan_small(seed: int) -> dict[str, int]:
    """Landed cost and builds of a plan; equal for equal seeds on every worker."""
    result = plan_scenario(_small(), RunParams(seed=seed, seconds=None, work=_ROUNDS))
    return {"landed_cents": result.kpis.landed_cents, "builds": result.kpis.builds}


@cache
def _small() -> Scenario:
    with tempfile.TemporaryDirectory() as cache_folder:
        return read_scenario(Path(scenarios.__file__).parent / "small", Path(cache_folder))


def tasks(first: int, count: int) -> list[Task]:
    """So many plans with seeds from ``first`` on."""
    return [Task(f"plan with seed {seed}", plan_small, (seed,)) for seed in range(first, first + count)]
