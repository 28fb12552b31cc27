"""Location engines against every set of sites tried, on small random problems."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from router.kernel.run import Status
from router.whatif.siting import (
    LocateParams,
    LocationProblem,
    add_rule,
    locate,
    location_faults,
    location_value,
    plain_programme,
)
from router.whatif.siting.programme import transport


def _best_by_trying(problem: LocationProblem) -> float:
    """Every set of open sites; whole customers in every way, divisible ones by the cheapest transport."""
    best = np.inf
    sizes = range(1, problem.sites + 1) if problem.count is None else [problem.count]
    for size in sizes:
        for sites in itertools.combinations(range(problem.sites), size):
            ids = np.array(sites)
            opened = problem.fixed[ids].sum()
            if not problem.limited:
                best = min(best, opened + problem.cost[:, ids].min(axis=1).sum())
            elif problem.whole:
                for at in itertools.product(range(size), repeat=problem.customers):
                    load = np.bincount(at, problem.demand, size)
                    if (load <= problem.capacity[ids]).all():
                        served = problem.cost[np.arange(problem.customers), ids[list(at)]].sum()
                        best = min(best, opened + served)
            else:
                choice = transport(problem, ids)
                if choice is not None:
                    best = min(best, location_value(problem, choice))
    return float(best)


@st.composite
def _problems(draw: st.DrawFn) -> LocationProblem:
    sites, customers = draw(st.integers(1, 5)), draw(st.integers(1, 6))
    seed = draw(st.integers(0, 10_000))
    rng = np.random.default_rng(seed)
    kind = draw(st.sampled_from(["free", "count", "whole", "split", "whole count", "split count"]))
    demand = rng.integers(1, 9, customers).astype(float)
    limit = demand.sum() * draw(st.sampled_from([0.4, 0.7, 1.2]))
    limited = kind.startswith(("whole", "split"))
    capacity = np.maximum(1, rng.integers(1, int(limit) + 2, sites)).astype(float)
    fixed = rng.integers(0, 40, sites).astype(float)
    cost = rng.integers(0, 50, (customers, sites)).astype(float)
    if draw(st.booleans()):
        fixed, cost = fixed + rng.random(sites), cost * 0.37
    return LocationProblem(
        fixed=fixed,
        capacity=capacity if limited else np.full(sites, np.inf),
        demand=demand,
        cost=cost,
        whole=not kind.startswith("split"),
        count=draw(st.integers(1, sites)) if "count" in kind else None,
    )


@given(_problems())
@settings(max_examples=150, deadline=None, derandomize=True)
def test_value_is_the_best_of_all_sets(problem: LocationProblem) -> None:
    best = _best_by_trying(problem)
    found = locate(problem, LocateParams(seed=3, seconds=None))
    if not np.isfinite(best):
        assert found.status is Status.INFEASIBLE
        assert found.value is None and found.bound is None
        return
    assert found.status is Status.OPTIMAL
    assert found.location is not None and found.value is not None and found.bound is not None
    assert location_faults(problem, found.location) == []
    assert found.value == pytest.approx(location_value(problem, found.location))
    assert found.value == pytest.approx(best, rel=2e-7, abs=1e-6)
    assert found.bound <= best + 1e-6 and found.bound >= best - 1e-6 * max(1.0, abs(best))


@given(_problems())
@settings(max_examples=40, deadline=None, derandomize=True)
def test_simple_rule_and_plain_programme_are_no_better(problem: LocationProblem) -> None:
    found = locate(problem, LocateParams(seconds=None))
    rule = add_rule(problem)
    choice, bound = plain_programme(problem, None)
    assert (choice is None) == (found.value is None)
    if found.value is None:
        assert rule is None
        return
    assert choice is not None
    assert location_value(problem, choice) == pytest.approx(found.value, rel=1e-6, abs=1e-6)
    assert bound == pytest.approx(found.value, rel=1e-6, abs=1e-6)
    if rule is not None:
        assert location_faults(problem, rule) == []
        assert location_value(problem, rule) >= found.value - 1e-6
