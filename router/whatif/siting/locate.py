"""Exact location: Lagrangian bound, decided sites, branching on sites, and a programme for what is left.

SITING.md states the method and proves its bounds.
"""

from __future__ import annotations

import heapq
import itertools
import threading
import time
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from router.kernel.run import AnyOf, Cancelled, Listener, Progress, Silent, Status, Stop, TimeLimit, WorkLimit
from router.kernel.seeds import child_seed
from router.whatif.siting.ascent_kernels import FREE, MAYBE, OPEN, SHUT, SPLIT, WHOLE, ascend, shut_and_open
from router.whatif.siting.pairs import usable_pairs
from router.whatif.siting.problem import Floats, Location, LocationProblem, location_faults, location_value
from router.whatif.siting.programme import solve_core
from router.whatif.siting.serve import Server

Marks = NDArray[np.int8]

_ROOT_ROUNDS, _NODE_ROUNDS = 900, 120
_BLOCK = 150
"""Rounds between two looks at the stop rules."""
_PATIENCE = 20
_LEAST_GAP = 1e-7
"""Relative gap within which a value counts as proven (costs with fractions; whole costs are proven to the unit)."""
_TABLE = 20_000
"""Largest capacity for which whole customers are packed by a table."""
_TRY_S = 3.0
"""Seconds the programme gets for a branch at first; then the branch is split, or waits for its next turn."""
_LEAF_SERVES, _ROOT_SERVES = 400, 800
"""Rounds of the search for whole customers where all sites are decided, and for the best sites of the root."""
_LOOK_SHARE = 0.15
_LOOKS = 300
"""Sets of sites tried around the best one at the root."""
_CORE_PAIRS = 150
"""A branch of whole customers with at most this many pairs left goes to the programme."""


@dataclass(frozen=True, slots=True)
class LocateParams:
    """Budget of a run: ``seconds`` of wall clock, ``work`` branches, None for no limit; ``cancel`` stops it.

    Without a time limit equal seeds give equal results. ``gap``: relative gap at which the run may stop.
    """

    seed: int = 0
    seconds: float | None = 60.0
    work: int | None = None
    gap: float = 0.0
    cancel: threading.Event | None = None


@dataclass(frozen=True, slots=True)
class Located:
    """What a run found. ``value`` and ``bound`` are None when unknown; ``trace``: (seconds, value, bound)."""

    status: Status
    location: Location | None
    value: float | None
    bound: float | None
    reason: str
    seconds: float
    branches: int
    trace: tuple[tuple[float, float | None, float | None], ...]
    seed: int


@dataclass(frozen=True, eq=False)
class _Branch:
    bound: float
    state: Marks
    prices: Floats
    depth: int
    tries: int = 0
    """Programmes of what is left that the clock has stopped so far; each one more gets twice the time."""


def locate(problem: LocationProblem, params: LocateParams | None = None, listener: Listener | None = None) -> Located:
    """The cheapest choice, with a bound on every choice. Infeasible is a status, not an error."""
    return _Run(problem, params or LocateParams(), listener or Silent()).go()


class _Run:
    def __init__(self, problem: LocationProblem, params: LocateParams, listener: Listener) -> None:
        self.problem, self.params, self.listener = problem, params, listener
        self.began = time.monotonic()
        rules: list[Stop] = []
        if params.seconds is not None:
            rules.append(TimeLimit(params.seconds, self.began))
        if params.work is not None:
            rules.append(WorkLimit(params.work))
        if params.cancel is not None:
            rules.append(Cancelled(params.cancel))
        self.stop = AnyOf(rules)
        self.cost = np.ascontiguousarray(problem.cost.T)
        self.capacity = np.minimum(problem.capacity, problem.demand.sum() + 1.0)
        self.demand = problem.demand
        self.mode = FREE if not problem.limited else WHOLE if problem.whole else SPLIT
        if self.mode == WHOLE:
            whole = (self.demand == np.rint(self.demand)).all()
            if not whole or self.capacity.max() > _TABLE:
                # A table by capacity is not to be had: the divisible relaxation bounds as well, only lower.
                self.mode = SPLIT
            else:
                self.capacity = np.floor(self.capacity)
        self.server = Server(problem, self.cost, child_seed(params.seed, "serve"))
        self.best: Location | None = None
        self.value = np.inf
        self.bound = -np.inf
        self.branches = 0
        self.trace: list[tuple[float, float | None, float | None]] = []
        self.reason = ""

    def cut(self) -> float:
        """A branch whose bound reaches this holds nothing better worth finding."""
        if not np.isfinite(self.value):
            return float("inf")
        step = max(_LEAST_GAP, self.params.gap) * max(1.0, abs(self.value))
        if self.problem.whole_numbers:
            step = max(step, 1.0 - 1e-6)
        return self.value - step

    def go(self) -> Located:
        self.listener.phase("root", None)
        state = np.zeros(self.problem.sites, np.int8)
        second = np.partition(self.cost, min(1, self.problem.sites - 1), axis=0)[min(1, self.problem.sites - 1)]
        root = _Branch(-np.inf, state, second, 0)
        self.offer_start()
        heap: list[tuple[float, int, int, _Branch]] = []
        order = itertools.count()
        for child in self.work_on(root, _ROOT_ROUNDS, 1.5):
            heapq.heappush(heap, (child.bound, -child.depth, next(order), child))
        self.listener.phase("branches", None)
        while heap and not self.stopped():
            bound, _, _, branch = heapq.heappop(heap)
            self.set_bound(min(bound, self.value))
            if bound >= self.cut():
                continue
            self.branches += 1
            self.listener.step(self.branches)
            for child in self.work_on(branch, _NODE_ROUNDS, 0.7):
                heapq.heappush(heap, (child.bound, -child.depth, next(order), child))
        return self.result([b for b, *_ in heap])

    def offer_start(self) -> None:
        sites = self.server.add_rule()
        self.offer(self.server.serve(sites))
        if not self.problem.limited:
            self.offer(self.server.serve(self.server.local_best(sites)))

    def stopped(self) -> bool:
        if not self.reason:
            since = 0
            value = self.value if self.best is not None else None
            self.reason = self.stop.reason(Progress(self.branches, since, value, self.bound)) or ""
        return bool(self.reason)

    def offer(self, served: tuple[float, Location] | None) -> None:
        """Keep a choice that is better than the best so far, once it is checked."""
        if served is None or served[0] >= self.value:
            return
        value, location = served
        wrong = location_faults(self.problem, location)
        if wrong:
            raise AssertionError(f"an engine made a faulty choice: {wrong[0]}")
        self.best, self.value = location, value
        self.note()
        self.listener.incumbent(value, time.monotonic() - self.began)

    def set_bound(self, bound: float) -> None:
        if bound > self.bound + 1e-9 * abs(bound):
            self.bound = bound
            self.note()
            self.listener.bound(bound, time.monotonic() - self.began)

    def note(self) -> None:
        seconds = time.monotonic() - self.began
        known = self.best is not None
        self.trace.append((seconds, self.value if known else None, self.bound if np.isfinite(self.bound) else None))

    def work_on(self, branch: _Branch, rounds: int, theta: float) -> list[_Branch]:
        """Bound a branch and split it: the branches left of it; itself, with a better bound, when time is over."""
        problem = self.problem
        n = len(self.cost)
        root = branch.depth == 0
        state, prices = branch.state.copy(), branch.prices.copy()
        best_prices, best_worth = prices.copy(), np.zeros(n)
        keep_prices, keep_worth, keep_price = prices.copy(), np.zeros(n), np.zeros(3)
        often, last_y, price = np.full(n, 0.5), np.zeros(n), np.zeros(3)
        bound = branch.bound
        here = -np.inf
        changed = np.empty(n, np.int8)
        count = -1 if problem.count is None else problem.count
        while rounds > 0 and theta >= 1e-3:
            block = min(_BLOCK, rounds)
            target = self.value if np.isfinite(self.value) else max(1.05 * here, here + 1.0)
            if not np.isfinite(target):
                target = float(self.cost.min(axis=0).sum() + np.abs(self.cost).max())
            found, theta, done = ascend(
                self.mode, self.cost, problem.fixed, self.demand, self.capacity, state, count, prices, target, theta,
                block, _PATIENCE, self.cut(), best_prices, best_worth, often, last_y, price,
            )  # fmt: skip
            rounds -= block
            if found == np.inf:
                return []
            if found > here:
                here = found
                keep_prices[:], keep_worth[:], keep_price[:] = best_prices, best_worth, price
            bound = max(bound, here)
            self.offer_near(last_y, often, root)
            if root:
                self.set_bound(min(bound, self.value))
            if bound >= self.cut():
                return []
            if self.stopped():
                return [_Branch(bound, branch.state, keep_prices, branch.depth)]
            if np.isfinite(self.value):
                shut_and_open(state, keep_worth, last_y, self.capacity, keep_price, here, self.cut(), changed)
                state[:] = changed
            prices[:] = keep_prices
            if done < block:
                break
        if root and problem.limited and self.best is not None:
            self.look_around(state, often)
            shut_and_open(state, keep_worth, last_y, self.capacity, keep_price, here, self.cut(), changed)
            state[:] = changed
        if count >= 0 and (state == OPEN).sum() == count:
            state[state == MAYBE] = SHUT
        maybe = np.flatnonzero(state == MAYBE)
        if problem.whole and problem.limited:
            rest = self.finish_whole(state, keep_prices, keep_worth, keep_price, here, bound, branch, len(maybe))
            if rest is not None:
                return rest
        elif not len(maybe):
            self.offer(self.server.serve(np.flatnonzero(state == OPEN)))
            return []
        site = int(maybe[np.abs(often[maybe] - 0.5).argmin()])
        children = []
        for mark in (OPEN, SHUT):
            child = state.copy()
            child[site] = mark
            children.append(_Branch(bound, child, keep_prices.copy(), branch.depth + 1))
        return children

    def finish_whole(
        self, state: Marks, prices: Floats, worth: Floats, price: Floats, here: float, bound: float, branch: _Branch,
        maybe: int,
    ) -> list[_Branch] | None:  # fmt: skip
        """Solve what is left of a branch as a programme if it is small: nothing left, or the branch when time is over;
        None when it is to be split."""
        left = self.cut() - here if np.isfinite(self.value) else np.inf
        usable, pairs = usable_pairs(
            self.mode, self.cost, self.demand, self.capacity, prices, state, worth, price, left
        )  # fmt: skip
        if pairs > _CORE_PAIRS and maybe:
            return None
        if branch.tries == 0:
            opened = np.flatnonzero(state == OPEN)
            if not maybe:
                self.offer(self.server.serve(opened, _LEAF_SERVES, again=True))
        seconds = self.left_s()
        if seconds is not None:
            seconds = min(_TRY_S * 2**branch.tries, seconds)
        cutoff = self.cut() if np.isfinite(self.value) else None
        seed = child_seed(self.params.seed, "core", self.branches)
        location, core_bound, ended = solve_core(self.problem, state, usable, cutoff=cutoff, seconds=seconds, seed=seed)
        if location is not None:
            self.offer((location_value(self.problem, location), location))
        if ended:
            return []
        if maybe and not self.stopped():
            return None
        return [_Branch(max(bound, min(core_bound, self.cut())), state, prices, branch.depth, branch.tries + 1)]

    def left_s(self) -> float | None:
        if self.params.seconds is None:
            return None
        return max(0.05, self.params.seconds - (time.monotonic() - self.began))

    def offer_near(self, last_y: Floats, often: Floats, root: bool) -> None:
        """What the bound opens, as a choice; at the root also its neighbourhood."""
        for wish in (last_y, often):
            sites = self.server.fitting(wish)
            if not self.problem.limited and root:
                sites = self.server.local_best(sites)
            self.offer(self.server.serve(sites))

    def look_around(self, state: Marks, wish: Floats) -> None:
        """Sets of sites beside the best one, for a share of the time."""
        if self.best is None:
            return
        left = self.left_s()
        until = None if left is None else time.monotonic() + _LOOK_SHARE * left

        def over() -> bool:
            return self.stopped() or (until is not None and time.monotonic() >= until)

        among = [int(i) for i in np.flatnonzero(state == MAYBE)]
        for served in self.server.around(self.best.open.tolist(), among, wish, self.value, over, _LOOKS):
            self.offer(served)
        if self.problem.whole:
            self.offer(self.server.serve(self.best.open, _ROOT_SERVES, again=True))

    def result(self, left: list[float]) -> Located:
        live = [b for b in left if b < self.cut()]
        if not live:
            # Every branch was shown to hold nothing below the cut.
            if self.best is None:
                status, bound, self.reason = Status.INFEASIBLE, np.inf, "no choice satisfies the limits"
            else:
                bound = self.cut()
                exact = self.problem.whole_numbers or self.params.gap <= _LEAST_GAP
                status = Status.OPTIMAL if exact else Status.FEASIBLE
                self.reason = "proven" if exact else f"gap of {self.params.gap:.2%} reached"
        else:
            bound = min(*live, self.cut()) if self.best is not None else min(live)
            status = Status.FEASIBLE if self.best is not None else Status.NO_SOLUTION_IN_TIME
            if self.reason == "cancelled":
                status = Status.CANCELLED
        if self.problem.whole_numbers and np.isfinite(bound):
            # What is above value - 1 + 1e-6 is at least the value.
            bound = float(np.ceil(bound - 1e-7))
        value = self.value if self.best is not None else None
        self.listener.ended(status, self.reason)
        seconds = time.monotonic() - self.began
        return Located(
            status,
            self.best,
            value,
            float(bound) if np.isfinite(bound) else None,
            self.reason,
            seconds,
            self.branches,
            tuple(self.trace),
            self.params.seed,
        )
