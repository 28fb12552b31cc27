"""Published assignment and location problems, in which planning has no plates and no time.

Generalised assignment (OR-Library; Chu & Beasley 1997), single-source capacitated location (Holmberg, Ronnqvist & Yuan
1999; Delmaire et al. 1999) and capacitated location with divisible customers (OR-Library; Beasley 1988): optima as
published. Divisible customers have a piece for every unit of demand: with whole demands and capacities an optimum in
whole units exists once the open sites are chosen, so nothing is lost.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from tests.bench.plan_case import Ask, Engine, Found, PlanCase
from tests.bench.sites_problem import (
    SitesProblem,
    cheapest_with_room,
    linear_bound,
    load_faults,
    load_value,
)

_LARGE = 10_000
FEW_S, MANY_S = 10.0, 60.0


def site_cases(record: Mapping[str, Any]) -> Iterator[PlanCase]:
    """Cases of a file of any of the three problems. Raises ``KeyError`` for other problems."""
    for entry in record["instances"]:
        if "agents" in entry:
            yield _case(entry["name"], _family_of(entry), assignment(entry), entry)
        elif "values_by_capacity" in entry:
            for value in entry["values_by_capacity"]:
                capacity = value["capacity_each_site"]
                problem = location({**entry, "capacity": [capacity] * len(entry["fixed_cost"])}, split=True)
                yield _case(f"{entry['name']}/{capacity}", "location, divisible, large", problem, value)
        else:
            split = record["problem"].startswith("Capacitated")
            family = "location, divisible" if split else f"location, single source, {entry['name'].split('_')[0]}"
            yield _case(entry["name"], family, location(entry, split), entry)


def assignment(entry: Mapping[str, Any]) -> SitesProblem:
    """Generalised assignment: agents are sites that cost nothing to open, a job is a customer of one piece."""
    n = entry["jobs"]
    agents = range(entry["agents"])
    return SitesProblem(
        capacity=tuple(float(c) for c in entry["capacity"]),
        fixed=(0.0,) * entry["agents"],
        pieces=(1,) * n,
        size=tuple(tuple(float(entry["resource"][a][j]) for a in agents) for j in range(n)),
        cost=tuple(tuple(float(entry["cost"][a][j]) for a in agents) for j in range(n)),
        split=False,
    )


def location(entry: Mapping[str, Any], split: bool) -> SitesProblem:
    """Capacitated location; customers of one piece, or of one for each unit of demand. Raises ``ValueError`` for
    demands that are not whole where they are to be divided."""
    demand = entry["demand"]
    if split and not all(float(d).is_integer() for d in demand):
        raise ValueError("divisible customers need whole demands")
    sites = len(entry["fixed_cost"])
    return SitesProblem(
        capacity=tuple(float(c) for c in entry["capacity"]),
        fixed=tuple(float(f) for f in entry["fixed_cost"]),
        pieces=tuple(int(d) for d in demand) if split else (1,) * len(demand),
        size=tuple((1.0 if split else float(d),) * sites for d in demand),
        cost=tuple(tuple(float(c) for c in row) for row in entry["cost_to_serve_all_demand"]),
        split=split,
    )


def _family_of(entry: Mapping[str, Any]) -> str:
    name = str(entry["name"])
    return f"assignment {name.split('_')[1][0]}, large" if name.startswith("gap_") else "assignment, small"


def _case(name: str, family: str, problem: SitesProblem, published: Mapping[str, Any]) -> PlanCase:
    size = len(problem.pieces)
    return PlanCase(
        name=name,
        family=family,
        goal="cost",
        size=size,
        best_known=float(published["value"]),
        bound=None,
        engines=_engines(problem),
        auto_seconds=FEW_S if size * len(problem.capacity) < _LARGE else MANY_S,
        note=f"{sum(problem.pieces)} pieces, one for each unit of demand" if problem.split else "",
        warm_up=lambda: _rounds(problem),
        prove=lambda _: linear_bound(problem),
        optimal=published["status"] == "optimal",
    )


def _engines(problem: SitesProblem) -> Mapping[str, Engine]:
    def ours(ask: Ask) -> Found:
        from tests.bench import sites_ours

        return sites_ours.ours(problem, ask)

    def cpsat(ask: Ask) -> Found:
        from tests.bench import sites_cpsat

        return sites_cpsat.solve(problem, ask)

    def habit(ask: Ask) -> Found:
        loads = cheapest_with_room(problem)
        if loads is None:
            return Found(None, status="a customer finds no room")
        wrong = load_faults(problem, loads)
        return Found(None, status=f"unsound: {wrong[0]}") if wrong else Found(load_value(problem, loads))

    def greedy(ask: Ask) -> Found:
        from tests.bench import sites_ours

        return sites_ours.greedy(problem, ask)

    return {"ours": ours, "cpsat": cpsat, "habit": habit, "greedy": greedy}


def _rounds(problem: SitesProblem) -> None:
    """Compile what our engine needs."""
    from tests.bench import sites_ours

    sites_ours.warm_up(problem)
