"""A second exact opinion in CP-SAT on small shops of single pieces (about 6): no argument about dominance in it.

Every machine is a network in time: a node is a moment at which it comes free with an alloy loaded, an arc is a plate
built next, priced with everything that hangs on when its pieces are done. Paths are chosen so that every line is
built once, at the least sum of cents. Arcs are tabulated from the shop's own functions of time, so calendars and
lateness are exact; the price is one arc a moment and plate, which is why the labels of ``exact_model.py`` are the
oracle for everything larger.

What fits is asked lazily: plates go in by area alone, the rooms are asked about those a solution uses, and a refused
set comes back as a cut that forbids every plate holding it, on every machine with that plate, until all are confirmed.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field

from exact_model import ExactModel, Possible
from ortools.sat.python import cp_model

from router.scheduling.draft import COUPON
from router.scheduling.rooms import Rooms, SumRooms
from router.scheduling.shop import NEVER, Shop

_Node = tuple[int, int, int]
"""Machine, moment it is free, alloy loaded."""


_Arc = tuple[_Node, Possible, int, _Node]
"""From, plate, cents, to."""


@dataclass
class SecondOpinion:
    """The least cents, None when ``at_most`` is too little to build everything; how many sets the rooms refused."""

    cents: int | None
    cuts: int


@dataclass
class _Network:
    model: cp_model.CpModel = field(default_factory=cp_model.CpModel)
    arcs: list[tuple[_Node, Possible, int, cp_model.IntVar]] = field(default_factory=list)
    """From, plate, cents, chosen."""


def cpsat_optimum(shop: Shop, rooms: Rooms, at_most: int = NEVER, seconds: float = 30.0) -> SecondOpinion:
    """Solve to proven optimality. Raises ValueError for lines of several pieces, RuntimeError when time runs out."""
    if shop.lines["quantity"].max() > 1:
        raise ValueError("the CP-SAT model holds lines of one piece only")
    by_area = ExactModel(shop, _area_rooms(shop))
    net = _network(by_area, at_most)
    cuts = 0
    while True:
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.max_time_in_seconds = seconds
        status = solver.solve(net.model)
        if status == cp_model.INFEASIBLE:
            return SecondOpinion(None, cuts)
        if status != cp_model.OPTIMAL:
            raise RuntimeError(f"no proof within {seconds:g} s: {solver.status_name(status)}")
        refused = [p for _, p, _, x in net.arcs if solver.value(x) and not _fits(shop, rooms, p)]
        if not refused:
            return SecondOpinion(round(solver.objective_value), cuts)
        for plate in refused:
            cuts += 1
            held = {(i, v) for i, v, _ in plate.items}
            kind = shop.machines[plate.machine]["plate"]
            for _, other, _, x in net.arcs:
                if shop.machines[other.machine]["plate"] == kind and held <= {(i, v) for i, v, _ in other.items}:
                    net.model.add(x == 0)


def _network(exact: ExactModel, at_most: int) -> _Network:
    net = _Network()
    into: dict[_Node, list[cp_model.IntVar]] = {}
    out: dict[_Node, list[cp_model.IntVar]] = {}
    covering: dict[int, list[cp_model.IntVar]] = {i: [] for i, q in enumerate(exact.quantity) if q}
    starts = {(k, *exact.start(k)) for k in exact.order}
    for node, plate, cents, after in _cheap_enough(exact, starts, _possible_arcs(exact, starts), at_most):
        chosen = net.model.new_bool_var("")
        net.arcs.append((node, plate, cents, chosen))
        out.setdefault(node, []).append(chosen)
        into.setdefault(after, []).append(chosen)
        for line, _, _ in plate.items:
            covering[line].append(chosen)
    for node, leaving in out.items():
        net.model.add(sum(leaving) <= (1 if node in starts else sum(into.get(node, []))))
    for arcs in covering.values():
        net.model.add_exactly_one(arcs)
    net.model.minimize(sum(cents * x for _, _, cents, x in net.arcs))
    return net


def _possible_arcs(exact: ExactModel, starts: set[_Node]) -> list[_Arc]:
    """Every plate that may follow at every moment reached by no more pieces than there are."""
    arcs: list[_Arc] = []
    waiting = [(0, node) for node in starts]
    done: set[_Node] = set()
    wanted = sum(exact.quantity)
    while waiting:
        # Fewest pieces first: a node is laid out once, with the most that may still follow it.
        fewest, node = heapq.heappop(waiting)
        if node in done:
            continue
        done.add(node)
        for plate, unload_end, cents, _ in exact.followers(*node):
            pieces = fewest + len(plate.items)
            if pieces <= wanted:
                after = (node[0], unload_end, plate.alloy)
                arcs.append((node, plate, cents, after))
                heapq.heappush(waiting, (pieces, after))
    return arcs


def _cheap_enough(exact: ExactModel, starts: set[_Node], arcs: list[_Arc], at_most: int) -> list[_Arc]:
    """Arcs that some path reaches within the budget. A line costs ``least`` at least, so only what is above counts."""
    budget = at_most - sum(exact.least)
    above: dict[_Node, int] = dict.fromkeys(starts, 0)
    kept = []
    # A plate takes time, so nodes in order of time are in order of the network.
    for node, plate, cents, after in sorted(arcs, key=lambda a: (a[0], a[3])):
        if node not in above:
            continue
        total = above[node] + cents - sum(exact.least[line] for line, _, _ in plate.items)
        if total <= budget:
            kept.append((node, plate, cents, after))
            above[after] = min(total, above.get(after, total))
    return kept


def _area_rooms(shop: Shop) -> Rooms:
    sizes = [0.0] * (int(shop.variants["shape"].max()) + 1)
    for variant in shop.variants:
        sizes[int(variant["shape"])] = float(variant["area_mm2"])
    plates = [0.0] * (int(shop.machines["plate"].max()) + 1)
    for made in shop.machines:
        plates[int(made["plate"])] = float(made["area_mm2"])
    return SumRooms([*sizes, float(shop.common[0]["coupon_area_mm2"])], plates)


def _fits(shop: Shop, rooms: Rooms, plate: Possible) -> bool:
    kind = int(shop.machines[plate.machine]["plate"])
    coupons = max(int(shop.lines[line]["coupons"]) for line, _, _ in plate.items)
    held, placed = rooms.more(rooms.empty(kind), kind, COUPON, coupons) if coupons else (rooms.empty(kind), 0)
    if placed < coupons:
        return False
    for _, variant, _ in plate.items:
        held, placed = rooms.more(held, kind, int(shop.variants[variant]["shape"]), 1)
        if placed == 0:
            return False
    return True
