"""The optimum of a small shop (up to about 12 pieces on 3 machines), as the tests' oracle.

Exact dynamic programming over labels rather than CP-SAT: a queue is a chain of plates, every time in a shop grows with
the time a machine comes free (attended work, stops, collections and dispatches never overtake), and no cost falls
with time. So of two ways to have built the same pieces and to have the same alloy loaded, one that is no later in any
respect and no dearer is enough. That is exact and asks for nothing but the shop's own functions of time: no horizon
to tabulate, no cents to scale. Measured: 6 pieces 0.03 to 0.15 s, 12 pieces on 3 machines with 1,390 possible plates
11 s. ``cpsat_model.py`` states the same shops for CP-SAT (6 pieces: 0.3 to 8 s); it is kept as a second opinion.

What fits is asked of the same ``Rooms`` as the search asks, set by set, the smaller sets first: a refused set is a
cut on every larger one. Works on any shop; lines may be split over plates and, where they may, over sites.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numba as nb
import numpy as np
import numpy.typing as npt

from router.scheduling.book import TIMES, Book, free_plate, new_book, plate_with, time_plate
from router.scheduling.calendar import through
from router.scheduling.draft import COUPON, Plan, buildable
from router.scheduling.prices import shipping
from router.scheduling.rooms import Held, Rooms
from router.scheduling.shop import NEVER, Rows, Shop

_MOST_PIECES = 7
Items = tuple[tuple[int, int, int], ...]
"""(line, variant, pieces) of a plate."""


@dataclass(frozen=True, slots=True)
class Possible:
    """A plate that a machine could build."""

    machine: int
    items: Items
    held: Held
    counts: int
    """Pieces of each line, four bits a line."""
    row: int
    alloy: int


@dataclass(frozen=True, slots=True)
class Label:
    """Some plates built, machine by machine: what is known about the plan so far."""

    counts: int
    here: tuple[tuple[int, int, int], ...]
    """(line, pieces, ready) of lines some of whose pieces stand at this site in more lots than one."""
    loaded: int
    at: int
    cents: int
    before: Label | None
    plate: Possible | None


@dataclass(frozen=True, slots=True)
class Optimum:
    """The least cost and a plan that has it."""

    cents: int
    plan: Plan


def possible_plates(shop: Shop, rooms: Rooms, machine: int) -> Iterator[tuple[Items, Held]]:
    """Every set of pieces that a machine may and can build at once."""
    made = shop.machines[machine]
    plate, site, model = int(made["plate"]), int(made["site"]), int(made["model"])
    for g in range(len(shop.alloy_of)):
        if not shop.rates[machine, g]["open"]:
            continue
        lines = [i for i in range(len(shop.lines)) if shop.lines[i]["powder"] == g and shop.gates[i, site]["open"]]
        # Depth first: pieces are only ever added, so what does not fit is never looked beyond.
        stack: list[tuple[int, Items, Held, int, bool]] = [(0, (), rooms.empty(plate), 0, False)]
        while stack:
            n, items, held, coupons, own = stack.pop()
            if items:
                yield items, held
            for m in range(n, len(lines)):
                line = shop.lines[lines[m]]
                if items and (own or line["own_plate"]):
                    continue
                with_coupons, wanted = held, int(line["coupons"])
                if wanted > coupons:
                    with_coupons, placed = rooms.more(held, plate, COUPON, wanted - coupons)
                    if placed < wanted - coupons:
                        continue
                span = shop.kinds[int(line["kind"]), model]
                for v in range(int(span["first"]), int(span["last"])):
                    filled = with_coupons
                    for pieces in range(1, int(line["quantity"]) + 1):
                        filled, placed = rooms.more(filled, plate, int(shop.variants[v]["shape"]), 1)
                        if placed == 0:
                            break
                        more = (*items, (lines[m], v, pieces))
                        stack.append((m + 1, more, filled, max(coupons, wanted), bool(line["own_plate"])))


@nb.njit(cache=True)
def _time_all(
    shop: Shop, book: Book, rows: npt.NDArray[np.int64], k: int, at: int, loaded: int, out: Rows
) -> npt.NDArray[np.bool_]:
    """Times of each plate on a machine free from ``at``, as if it were the next."""
    good = np.zeros(len(rows), dtype=np.bool_)
    for n in range(len(rows)):
        good[n] = time_plate(shop, book.plates[rows[n]], k, at, loaded, out[n])
    return good


class ExactModel:
    """A small shop laid out for the labels."""

    def __init__(self, shop: Shop, rooms: Rooms) -> None:
        self.shop = shop
        able = buildable(shop)
        self.quantity = tuple(int(q) if ok else 0 for q, ok in zip(shop.lines["quantity"], able, strict=True))
        if max(self.quantity) > _MOST_PIECES:
            raise ValueError(f"the exact model counts to {_MOST_PIECES} pieces a line, found {max(self.quantity)}")
        self._all = _packed(enumerate(self.quantity))
        self._guard = _packed((i, _MOST_PIECES + 1) for i in range(len(self.quantity)))
        self.site = [int(s) for s in shop.machines["site"]]
        # A site's machines follow one another, so that its shipments can be priced when the last one is done.
        self.order = sorted(range(len(self.site)), key=lambda k: (self.site[k], k))
        sets = [(k, items, held) for k in self.order for items, held in possible_plates(shop, rooms, k)]
        self.book = new_book(shop, len(sets) + 3, 1, max(1, len(shop.lines)))
        self.plates: dict[int, list[Possible]] = {k: [] for k in self.order}
        for k, items, held in sets:
            self.plates[k].append(self._possible(k, items, held))
        self._rows = {k: np.array([p.row for p in ps], dtype=np.int64) for k, ps in self.plates.items()}
        self._next: dict[tuple[int, int, int], list[tuple[Possible, int, int, Any]]] = {}
        self._shipped: dict[tuple[int, int, int, int], int] = {}
        self._passed: dict[tuple[int, int, int, int], tuple[int, int]] = {}
        # Cents that each line costs at least, however it is built; 0 for lines nobody can build.
        self.least = [self._least_cents(i) for i in range(len(self.quantity))]
        self._rest: dict[int, int] = {}

    def _possible(self, k: int, items: Items, held: Held) -> Possible:
        row = -1
        for line, variant, pieces in items:
            more = int(plate_with(self.shop, self.book, row, k, line, variant, pieces))
            if row >= 0:
                free_plate(self.book, row)
            row = more
        alloy = int(self.shop.alloy_of[int(self.shop.lines[items[0][0]]["powder"])])
        return Possible(k, items, held, _packed((line, n) for line, _, n in items), row, alloy)

    def solve(self, at_most: int = NEVER) -> Optimum | None:
        """The cheapest plan that builds everything buildable; None when there is none for ``at_most`` cents."""
        labels = [Label(0, (), -1, 0, 0, None, None)]
        for n, k in enumerate(self.order):
            free, loaded = self.start(k)
            started = [Label(x.counts, x.here, loaded, free, x.cents, x, None) for x in labels]
            labels = self._queues_of(k, started, at_most)
            if n + 1 == len(self.order) or self.site[self.order[n + 1]] != self.site[k]:
                labels = [y for x in labels if (y := self._leave_site(x, self.site[k])) is not None]
            labels = _undominated(labels, by_time=False)
        done = [x for x in labels if x.counts == self._all and x.cents <= at_most]
        if not done:
            return None
        best = min(done, key=lambda x: x.cents)
        return Optimum(best.cents, self._plan(best))

    def start(self, k: int) -> tuple[int, int]:
        """When a machine is free first, and the alloy loaded then (one past the last for none)."""
        made = self.shop.machines[k]
        return int(made["free_from"]), int(made["loaded"]) if made["loaded"] >= 0 else self.shop.changes.shape[2]

    def _queues_of(self, k: int, labels: list[Label], at_most: int) -> list[Label]:
        """Every label with any queue of plates on one machine behind it, dominated ones left out."""
        # Packed counts only grow as plates are added: in their order every label comes before those made from it.
        waiting: dict[int, list[Label]] = {}
        for x in labels:
            waiting.setdefault(x.counts, []).append(x)
        order = list(waiting)
        heapq.heapify(order)
        limit, guard, rest = self._all | self._guard, self._guard, self._rest
        kept: list[Label] = []
        while order:
            for x in _undominated(waiting.pop(heapq.heappop(order)), by_time=True):
                kept.append(x)
                for plate, unload_end, cents, parts in self.followers(k, x.at, x.loaded):
                    counts = x.counts + plate.counts
                    if (limit - counts) & guard != guard:
                        continue
                    least = rest.get(counts)
                    if least is None:
                        least = rest[counts] = self._least_of_missing(counts)
                    if x.cents + cents + least > at_most:
                        continue
                    here = _joined(x.here, parts) if parts else x.here
                    if counts not in waiting:
                        waiting[counts] = []
                        heapq.heappush(order, counts)
                    waiting[counts].append(Label(counts, here, plate.alloy, unload_end, x.cents + cents, x, plate))
        return kept

    def _least_of_missing(self, counts: int) -> int:
        return sum(c for i, c in enumerate(self.least) if self.quantity[i] and not counts >> 4 * i & 15)

    def followers(self, k: int, at: int, loaded: int) -> list[tuple[Possible, int, int, Any]]:
        """Plates that may come next: when each is unloaded, its cents with those of lines complete on it, and
        (line, pieces, ready) of the others."""
        key = (k, at, loaded)
        found = self._next.get(key)
        if found is not None:
            return found
        rows = self._rows[k]
        times = np.zeros(len(rows), dtype=TIMES)
        good = _time_all(self.shop, self.book, rows, k, at, loaded, times)
        found = []
        for n in np.flatnonzero(good).tolist():
            plate = self.plates[k][n]
            done = int(times[n]["done"])
            cents = int(times[n]["cents"])
            parts = []
            for line, variant, pieces in plate.items:
                ready, walked = self._walk(line, k, variant, pieces, done)
                cents += walked
                if pieces == self.quantity[line]:
                    cents += self._ship(line, self.site[k], pieces, ready)
                else:
                    parts.append((line, pieces, ready))
            if cents < NEVER:
                found.append((plate, int(times[n]["unload_end"]), cents, tuple(parts)))
        self._next[key] = found
        return found

    def _walk(self, line: int, k: int, variant: int, pieces: int, done: int) -> tuple[int, int]:
        key = (line, self.site[k], variant, pieces << 40 | done)
        found = self._passed.get(key)
        if found is None:
            wanted = self.shop.lines[line]
            steps = self.shop.lot_steps[int(wanted["route"]), self.site[k]]
            support = float(self.shop.variants[variant]["support_cm3"])
            kg = pieces * float(wanted["part_kg"])
            first, last = int(steps["first"]), int(steps["last"])
            ready, cents = through(self.shop, self.site[k], first, last, done, pieces, support, kg, int(wanted["code"]))
            found = self._passed[key] = (int(ready), int(cents) if ready < NEVER else NEVER)
        return found

    def _ship(self, line: int, site: int, pieces: int, ready: int) -> int:
        if ready >= NEVER:
            return NEVER
        key = (line, site, pieces, ready)
        found = self._shipped.get(key)
        if found is None:
            found = self._shipped[key] = int(shipping(self.shop, line, site, pieces, ready)[0])
        return found

    def _least_cents(self, line: int) -> int:
        """Less than a line's steps, shipment and melting can ever cost."""
        wanted = self.shop.lines[line]
        pieces = self.quantity[line]
        best = NEVER
        for k in self.order:
            for plate in self.plates[k]:
                for i, v, n in plate.items:
                    if i == line and n == min(pieces, 1):
                        rate = self.shop.rates[k, int(wanted["powder"])]
                        variant = self.shop.variants[v]
                        own = float(variant["exposure_h"]) * float(rate["exposure_cents_h"])
                        own += float(variant["melt_kg"]) * float(rate["melt_cents_kg"])
                        whole = 0
                        if pieces == 1:
                            whole = self._walk(line, k, v, 1, 0)[1] + self._ship(line, self.site[k], 1, 0)
                        best = min(best, int(own) * pieces - 2 * pieces + min(whole, NEVER))
        return max(0, best) if best < NEVER else 0

    def _leave_site(self, x: Label, site: int) -> Label | None:
        """The label with its site's shipments priced; None when a line that must not be split is left in part."""
        cents = x.cents
        for line, pieces, ready in x.here:
            if not self.shop.lines[line]["may_split"] and pieces < self.quantity[line]:
                return None
            cents += self._ship(line, site, pieces, ready)
        return Label(x.counts, (), x.loaded, x.at, cents, x, None) if cents < NEVER else None

    def _plan(self, label: Label) -> Plan:
        plan: Plan = [[] for _ in self.site]
        x: Label | None = label
        while x is not None:
            if x.plate is not None:
                plan[x.plate.machine].insert(0, (list(x.plate.items), x.plate.held))
            x = x.before
        return plan


def _packed(pairs: Iterable[tuple[int, int]]) -> int:
    return sum(n << 4 * line for line, n in pairs)


def _joined(here: tuple[tuple[int, int, int], ...], parts: Any) -> tuple[tuple[int, int, int], ...]:
    lots = {line: (pieces, ready) for line, pieces, ready in here}
    for line, pieces, ready in parts:
        before = lots.get(line, (0, 0))
        lots[line] = (before[0] + pieces, max(before[1], ready))
    return tuple(sorted((line, pieces, ready) for line, (pieces, ready) in lots.items()))


def _undominated(labels: list[Label], by_time: bool) -> list[Label]:
    """Labels none of which is as early and as cheap as another with the same pieces built and alloy loaded."""
    groups: dict[Any, list[Label]] = {}
    for x in sorted(labels, key=lambda x: (x.cents, x.at)):
        key = (x.counts, tuple((i, n) for i, n, _ in x.here), x.loaded if by_time else -1)
        group = groups.setdefault(key, [])
        if not any(
            (not by_time or y.at <= x.at) and all(a[2] <= b[2] for a, b in zip(y.here, x.here, strict=True))
            for y in group
        ):
            group.append(x)
    return [x for group in groups.values() for x in group]


def optimum(shop: Shop, rooms: Rooms, at_most: int = NEVER) -> Optimum | None:
    """The cheapest plan of a small shop; None when everything cannot be built for ``at_most`` cents."""
    return ExactModel(shop, rooms).solve(at_most)
