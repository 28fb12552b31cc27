"""Published location problems by their form: which file holds what, and the problem each entry states.

OR-Library capacitated location and p-median (Beasley 1988, 1985), single-source location (Holmberg, Ronnqvist & Yuan
1999; Delmaire et al. 1999), capacitated p-median (Osman & Christofides 1994).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import shortest_path

from router.whatif.siting import LocationProblem


@dataclass(frozen=True, eq=False)
class SitingCase:
    """A published problem; ``best_known`` None where the file gives no value."""

    name: str
    family: str
    problem: LocationProblem
    best_known: float | None
    proven: bool


def siting_cases(data: Any) -> Iterator[SitingCase]:
    """Cases of a file: a data set, a list of its entries, or one entry. Raises ``ValueError`` or ``KeyError`` if it is
    none of these."""
    if isinstance(data, list):
        data = {"instances": data}
    elif "instances" not in data:
        data = {"instances": [data]}
    stated = str(data.get("problem", "")).lower()
    for entry in data["instances"]:
        if "edges" in entry:
            yield _case(entry["name"], "p-median", median(entry), entry)
        elif "x" in entry and "capacity_each_median" in entry:
            yield _case(entry["name"], "p-median, capacitated", median_with_capacity(entry), entry)
        elif "values_by_capacity" in entry:
            for value in entry["values_by_capacity"]:
                each = value["capacity_each_site"]
                problem = location(entry, [each] * len(entry["fixed_cost"]), False)
                yield _case(f"{entry['name']}/{each}", "location, divisible, large", problem, value)
        elif "fixed_cost" in entry:
            # Without a statement, only the divisible set carries the value without capacities.
            single = "single-source" in stated if stated else "uncapacitated_value" not in entry
            family = "location, single source" if single else "location, divisible"
            yield _case(entry["name"], family, location(entry, entry["capacity"], single), entry)
        else:
            raise ValueError(f"{entry.get('name', 'an entry')} is no location problem: it has {sorted(entry)}")


def location(entry: Mapping[str, Any], capacity: list[float], whole: bool) -> LocationProblem:
    """Capacitated location; ``whole``: each customer from one site."""
    return LocationProblem(
        fixed=np.array(entry["fixed_cost"], float),
        capacity=np.array(capacity, float),
        demand=np.array(entry["demand"], float),
        cost=np.array(entry["cost_to_serve_all_demand"], float),
        whole=whole,
    )


def median(entry: Mapping[str, Any]) -> LocationProblem:
    """p-median on a network of shortest paths; of edges named twice the last one counts."""
    n = entry["nodes"]
    length: dict[tuple[int, int], float] = {}
    for a, b, far in entry["edges"]:
        length[min(a, b) - 1, max(a, b) - 1] = float(far)
    ends = np.array(list(length), dtype=np.int64).reshape(-1, 2)
    graph = csr_array((np.array(list(length.values())), (ends[:, 0], ends[:, 1])), shape=(n, n))
    cost = shortest_path(graph, directed=False)
    if not np.isfinite(cost).all():
        raise ValueError(f"{entry['name']}: the network falls apart, some nodes cannot be reached")
    return LocationProblem(np.zeros(n), np.full(n, np.inf), np.ones(n), cost, count=entry["p"])


def median_with_capacity(entry: Mapping[str, Any]) -> LocationProblem:
    """Capacitated p-median in the plane, whole Euclidean distances rounded down."""
    x, y = np.array(entry["x"], float), np.array(entry["y"], float)
    cost = np.floor(np.hypot(x[:, None] - x[None, :], y[:, None] - y[None, :]) + 1e-9)
    n = len(x)
    capacity = np.full(n, float(entry["capacity_each_median"]))
    return LocationProblem(np.zeros(n), capacity, np.array(entry["demand"], float), cost, count=entry["p"])


def _case(name: str, family: str, problem: LocationProblem, published: Mapping[str, Any]) -> SitingCase:
    value = published.get("value")
    return SitingCase(
        name, family, problem, None if value is None else float(value), published.get("status") == "optimal"
    )
