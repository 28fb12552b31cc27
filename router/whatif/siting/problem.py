"""A location problem in arrays: which sites open, and who serves whom."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_ROOM = 1e-6
"""Relative slack within which a load counts as within its capacity."""


@dataclass(frozen=True, eq=False)
class LocationProblem:
    """Open sites, serve every customer, pay for both; the least total cost is looked for.

    ``fixed``: cost of opening, ``capacity``: most demand a site serves (infinite for no limit), both one a site.
    ``demand``: one a customer. ``cost``: [customer, site] of serving all of that customer's demand from that site.
    ``whole``: a customer is served from one site only. ``count``: exactly so many sites open; None for any number.
    Raises ``ValueError`` for arrays that do not fit together or hold what is no cost, capacity or demand.
    """

    fixed: Floats
    capacity: Floats
    demand: Floats
    cost: Floats
    whole: bool = True
    count: int | None = None

    def __post_init__(self) -> None:
        for name in ("fixed", "capacity", "demand", "cost"):
            object.__setattr__(self, name, np.ascontiguousarray(getattr(self, name), dtype=np.float64))
        wrong = self._faults()
        if wrong:
            raise ValueError("; ".join(wrong))

    def _faults(self) -> list[str]:
        wrong = []
        if self.fixed.ndim != 1 or self.capacity.shape != self.fixed.shape:
            wrong.append(f"fixed costs {self.fixed.shape} and capacities {self.capacity.shape} are not one a site")
        if self.demand.ndim != 1 or self.cost.shape != (len(self.demand), len(self.fixed)):
            wrong.append(
                f"serving costs {self.cost.shape} are not {len(self.demand)} customers by {len(self.fixed)} sites"
            )
        if not len(self.fixed) or not len(self.demand):
            wrong.append("there is no site or no customer")
        if not (np.isfinite(self.fixed).all() and np.isfinite(self.cost).all() and np.isfinite(self.demand).all()):
            wrong.append("a cost or a demand is not a finite number")
        if np.isnan(self.capacity).any() or (self.capacity < 0).any() or (self.demand < 0).any():
            wrong.append("a capacity or a demand is negative or not a number")
        if self.count is not None and not 1 <= self.count <= len(self.fixed):
            wrong.append(f"{self.count} sites are to open, there are {len(self.fixed)}")
        return wrong

    @property
    def sites(self) -> int:
        return len(self.fixed)

    @property
    def customers(self) -> int:
        return len(self.demand)

    @property
    def limited(self) -> bool:
        """Whether some capacity can bind."""
        return bool((self.capacity < self.demand.sum()).any())

    @property
    def whole_numbers(self) -> bool:
        """Whether every value of a choice is a whole number: then a bound may be rounded up."""
        whole = bool((self.fixed == np.rint(self.fixed)).all() and (self.cost == np.rint(self.cost)).all())
        return whole and (self.whole or not self.limited)


@dataclass(frozen=True, eq=False)
class Location:
    """A choice: open sites (ascending), and shares [customer, position in ``open``] that add to 1 a customer."""

    open: NDArray[np.int64]
    share: Floats


def location_value(problem: LocationProblem, location: Location) -> float:
    """Cost of a choice, from the problem alone."""
    served = (problem.cost[:, location.open] * location.share).sum()
    return float(problem.fixed[location.open].sum() + served)


def location_faults(problem: LocationProblem, location: Location) -> list[str]:
    """What is wrong with a choice; empty when it is right. Shares nothing with the engines."""
    wrong = []
    share = location.share
    if sorted(set(location.open.tolist())) != location.open.tolist():
        wrong.append("open sites are not in order, or one is named twice")
    if problem.count is not None and len(location.open) != problem.count:
        wrong.append(f"{len(location.open)} sites open, {problem.count} asked")
    if share.shape != (problem.customers, len(location.open)):
        return [*wrong, f"shares are {share.shape}, not customers by open sites"]
    if (share < -1e-9).any():
        wrong.append("a share is negative")
    for customer in np.flatnonzero(np.abs(share.sum(axis=1) - 1.0) > 1e-7):
        wrong.append(f"customer {customer}: shares add to {share[customer].sum():g}")
    if problem.whole and problem.limited:
        for customer in np.flatnonzero((share > 1e-9).sum(axis=1) > 1):
            wrong.append(f"customer {customer} is served from several sites, one allowed")
    load = problem.demand @ share
    for at, site in enumerate(location.open):
        if load[at] > problem.capacity[site] * (1 + _ROOM) + 1e-9:
            wrong.append(f"site {site} serves {load[at]:g}, capacity {problem.capacity[site]:g}")
    return wrong
