"""Given open sites, who serves whom: exact where that is easy, searched where it is not; and better sets of sites."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
from numpy.typing import NDArray

from router.kernel.seeds import child_seed
from router.whatif.siting.problem import Floats, Location, LocationProblem, location_value
from router.whatif.siting.programme import transport
from router.whatif.siting.swap_kernels import serve_whole, swap_to_local_best

Ints = NDArray[np.int64]

_ROUNDS = 60
"""Rounds of the search for whole customers a set of sites."""


class Server:
    """Choices made of sets of open sites; every set is served once."""

    def __init__(self, problem: LocationProblem, cost: Floats, seed: int) -> None:
        self.problem, self.cost, self.seed = problem, cost, seed
        self.needed = float(problem.demand.sum())
        self._value: dict[tuple[int, ...], float] = {}

    def known(self, sites: Iterable[int]) -> bool:
        return tuple(sorted(sites)) in self._value

    def serve(self, sites: Iterable[int], rounds: int = _ROUNDS, again: bool = False) -> tuple[float, Location] | None:
        """Value and choice with these sites open; None when they were asked before or no way to serve all was found."""
        key = tuple(sorted({int(s) for s in sites}))
        if (key in self._value and not again) or not key:
            return None
        problem = self.problem
        ids = np.array(key, dtype=np.int64)
        self._value.setdefault(key, np.inf)
        if problem.count is not None and len(key) != problem.count:
            return None
        location: Location | None
        if not problem.limited:
            location = _placed(ids, ids[problem.cost[:, ids].argmin(axis=1)])
        elif problem.whole:
            if problem.capacity[ids].sum() < self.needed:
                return None
            at = np.full(problem.customers, -1, dtype=np.int64)
            seed = child_seed(self.seed, rounds, *key) % 2**31
            least = serve_whole(self.cost, problem.demand, problem.capacity, ids, seed, rounds, at)
            location = _placed(ids, at) if np.isfinite(least) else None
        else:
            location = transport(problem, ids)
        if location is None:
            return None
        if problem.count is None:
            used = location.share.sum(axis=0) > 0
            # A site nobody goes to need not open, unless opening it is paid.
            keep = used | (problem.fixed[ids] < 0)
            if not keep.all() and keep.any():
                location = Location(ids[keep], location.share[:, keep])
        value = location_value(problem, location)
        self._value[key] = min(value, self._value[key])
        return value, location

    def add_rule(self) -> list[int]:
        """Sites by the simple rule: add the one that saves most until nothing saves and the demand has room."""
        problem = self.problem
        most = problem.count if problem.count is not None else problem.sites
        chosen: list[int] = []
        near = np.full(problem.customers, np.inf)
        far = self.cost.max(axis=0)
        while len(chosen) < most:
            now = np.where(np.isfinite(near), near, far)
            save = np.maximum(0.0, now[None, :] - self.cost).sum(axis=1) - problem.fixed
            save[chosen] = -np.inf
            room = problem.capacity[chosen].sum() if chosen else 0.0
            must = problem.count is not None or not chosen or room < self.needed
            best = int(save.argmax())
            if not np.isfinite(save[best]) or (save[best] <= 0 and not must):
                break
            chosen.append(best)
            near = np.minimum(near, self.cost[best])
        return sorted(chosen)

    def local_best(self, sites: Iterable[int]) -> list[int]:
        """Sites after swaps (without capacities) until nothing gains."""
        is_open = np.zeros(self.problem.sites, dtype=np.bool_)
        is_open[list(sites)] = True
        swap_to_local_best(self.cost, self.problem.fixed, is_open, self.problem.count is not None)
        return [int(i) for i in np.flatnonzero(is_open)]

    def fitting(self, wish: Floats) -> list[int]:
        """Sites wished for more than half, filled up by wish until number and room do."""
        order = np.argsort(-wish, kind="stable")
        problem = self.problem
        if problem.count is not None:
            return [int(i) for i in order[: problem.count]]
        chosen = [int(i) for i in order if wish[i] > 0.5]
        room = problem.capacity[chosen].sum() if chosen else 0.0
        for i in order[len(chosen) :]:
            if chosen and room >= self.needed:
                break
            chosen.append(int(i))
            room += problem.capacity[i]
        return chosen

    def around(
        self, sites: list[int], among: list[int], wish: Floats, value: float, stopped: Callable[[], bool], tries: int
    ) -> list[tuple[float, Location]]:
        """Better choices by adding, dropping or swapping one site of ``among``, by ``wish``; first gain is taken."""
        found: list[tuple[float, Location]] = []
        here, gained = sites, True
        while gained and tries > 0:
            gained = False
            outs = [s for s in here if s in among]
            ins = [s for s in among if s not in here]
            moves = [(o, i) for o in [*outs, None] for i in [*ins, None] if o is not None or i is not None]
            if self.problem.count is not None:
                moves = [(o, i) for o, i in moves if o is not None and i is not None]
            moves.sort(key=lambda m: (0.5 if m[0] is None else wish[m[0]]) - (0.5 if m[1] is None else wish[m[1]]))
            for out, into in moves:
                after = [s for s in here if s != out] + ([into] if into is not None else [])
                if tries <= 0 or stopped():
                    return found
                if self.known(after):
                    continue
                tries -= 1
                served = self.serve(after)
                if served is not None and served[0] < value - 1e-9 * abs(value):
                    value = served[0]
                    found.append(served)
                    here, gained = [int(s) for s in served[1].open], True
                    break
        return found


def _placed(ids: Ints, at: Ints) -> Location:
    share = np.zeros((len(at), len(ids)))
    share[np.arange(len(at)), np.searchsorted(ids, at)] = 1.0
    return Location(ids, share)
