"""What the exact engine is measured against: a simple rule, and the whole programme at once."""

from __future__ import annotations

import numpy as np

from router.whatif.siting.problem import Location, LocationProblem
from router.whatif.siting.programme import solve_core
from router.whatif.siting.serve import Server


def add_rule(problem: LocationProblem, seed: int = 0) -> Location | None:
    """Add the site that saves most until nothing saves and the demand has room; None when its sites cannot serve."""
    server = Server(problem, np.ascontiguousarray(problem.cost.T), seed)
    served = server.serve(server.add_rule())
    return None if served is None else served[1]


def plain_programme(problem: LocationProblem, seconds: float | None, seed: int = 0) -> tuple[Location | None, float]:
    """The strong formulation given to the solver as it stands: its best choice and its bound."""
    state = np.zeros(problem.sites, np.int8)
    usable = np.ones((problem.customers, problem.sites), dtype=np.bool_)
    location, bound, _ = solve_core(problem, state, usable, cutoff=None, seconds=seconds, seed=seed)
    return location, bound
