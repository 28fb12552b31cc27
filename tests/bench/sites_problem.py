"""Customers to sites with capacities: assignment and location problems, their check, simple rule, and bound."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import coo_array

#: Largest linear programme solved for a bound, in variables.
_MOST_VARIABLES = 25_000
_ROOM = 1e-6

Loads = Mapping[tuple[int, int], int]
"""(customer, site): pieces."""


@dataclass(frozen=True, slots=True)
class SitesProblem:
    """Every customer's pieces go to sites; a site takes no more than its capacity and costs when used.

    ``cost``: of serving a whole customer from a site. ``split``: pieces of a customer may go to several sites.
    """

    capacity: tuple[float, ...]
    fixed: tuple[float, ...]
    pieces: tuple[int, ...]
    size: tuple[tuple[float, ...], ...]
    """[customer][site] of one piece."""
    cost: tuple[tuple[float, ...], ...]
    """[customer][site] of all pieces."""
    split: bool

    def price(self, customer: int, site: int) -> float:
        """Cost of one piece."""
        return self.cost[customer][site] / self.pieces[customer]


def load_faults(problem: SitesProblem, loads: Loads) -> list[str]:
    """What is wrong with an assignment; empty when it is right."""
    found: list[str] = []
    placed: dict[int, int] = defaultdict(int)
    sites: dict[int, int] = defaultdict(int)
    used: dict[int, float] = defaultdict(float)
    for (customer, site), pieces in loads.items():
        if pieces <= 0:
            found.append(f"customer {customer} at site {site}: {pieces} pieces")
            continue
        placed[customer] += pieces
        sites[customer] += 1
        used[site] += pieces * problem.size[customer][site]
    for customer, wanted in enumerate(problem.pieces):
        if placed[customer] != wanted:
            found.append(f"customer {customer}: {placed[customer]} pieces placed, {wanted} asked")
        if sites[customer] > 1 and not problem.split:
            found.append(f"customer {customer} is served from {sites[customer]} sites, 1 allowed")
    for site, amount in used.items():
        if amount > problem.capacity[site] + _ROOM:
            found.append(f"site {site} takes {amount:g}, capacity {problem.capacity[site]:g}")
    return found


def load_value(problem: SitesProblem, loads: Loads) -> float:
    """Cost of the sites used and of serving everybody."""
    opened = sum(problem.fixed[s] for s in {site for _, site in loads})
    return opened + sum(n * problem.price(c, s) for (c, s), n in loads.items())


def cheapest_with_room(problem: SitesProblem) -> Loads | None:
    """The simple rule: largest customers first, each at its cheapest site that has room; None when one finds none."""
    room = list(problem.capacity)
    loads: dict[tuple[int, int], int] = {}
    order = sorted(range(len(problem.pieces)), key=lambda c: (-problem.pieces[c] * min(problem.size[c]), c))
    for customer in order:
        left = problem.pieces[customer]
        for site in sorted(range(len(room)), key=lambda s: (problem.cost[customer][s], s)):
            size = problem.size[customer][site]
            most = left if size <= 0 else int((room[site] + _ROOM) / size)
            taken = min(left, most) if problem.split else (left if most >= left else 0)
            if taken:
                loads[customer, site] = taken
                room[site] -= taken * size
                left -= taken
            if not left:
                break
        if left:
            return None
    return loads


def linear_bound(problem: SitesProblem) -> float | None:
    """Value of the linear relaxation (HiGHS), 1e-6 of it taken off for the solver's tolerance; None when too large."""
    n_c, n_s = len(problem.pieces), len(problem.capacity)
    n_x = n_c * n_s
    if n_x > _MOST_VARIABLES:
        return None
    opens = any(problem.fixed)
    n = n_x + (n_s if opens else 0)
    cost = np.concatenate([np.array(problem.cost).ravel(), np.array(problem.fixed) if opens else []])
    use = np.array([[problem.pieces[c] * problem.size[c][s] for s in range(n_s)] for c in range(n_c)])
    rows, cols, data = [], [], []
    for s in range(n_s):
        rows += [s] * n_c
        cols += [c * n_s + s for c in range(n_c)]
        data += use[:, s].tolist()
        if opens:
            rows.append(s)
            cols.append(n_x + s)
            data.append(-problem.capacity[s])
    upper = [0.0] * n_s if opens else list(problem.capacity)
    count = n_s
    if opens:
        # A customer's share from a site is no larger than the site is open.
        for x in range(n_x):
            rows += [count, count]
            cols += [x, n_x + x % n_s]
            data += [1.0, -1.0]
            count += 1
        upper += [0.0] * n_x
    each = coo_array((np.ones(n_x), (np.repeat(np.arange(n_c), n_s), np.arange(n_x))), shape=(n_c, n))
    answer = linprog(
        cost,
        A_ub=coo_array((data, (rows, cols)), shape=(count, n)).tocsr(),
        b_ub=upper,
        A_eq=each.tocsr(),
        b_eq=np.ones(n_c),
        bounds=(0.0, 1.0),
        method="highs",
    )
    return None if answer.status != 0 else float(answer.fun) - 1e-6 * abs(float(answer.fun))
