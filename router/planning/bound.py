"""A landed cost that no plan of the scenario can be below.

Relaxation. Every piece pays its own exposure, powder, steps, cheapest freight, and, of a plate's start (set-up, plate,
loading, plate steps) and of recoating up to its own height, the share of the plate that it covers, spacing included.
That is never more than its plate really costs: dilated footprints do not overlap, so the shares of one plate sum to at
most one, and no piece is taller than the tallest. Pieces may be split at will over machines, sites and days; a
machine melts no more than the hours it has until a moment; what ends later arrives later. That is a linear programme:

    min  sum cost[i,m,o,b] * x[i,m,o,b]
    s.t. sum over (m,o,b) x[i,m,o,b] = quantity[i]                                         for every line i
         sum over i,o and buckets b' <= b of hours[i,m,o] * x[i,m,o,b'] <= open hours of m until the end of b

The reported value is not the solver's word: its multipliers, made non-negative, go into the Lagrangian of the capacity
rows, which is a lower bound for any non-negative multipliers and is evaluated here in closed form.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.optimize import linprog
from scipy.sparse import coo_array

from router.costing import lot_minutes, lot_route, route
from router.domain.sites import PLATE_STEPS, Step
from router.freight import arrival_date, zone_of
from router.kernel.faults import PlatewrightError
from router.kernel.moments import Minute
from router.nesting import Nest
from router.planning.eligibility import Choice
from router.planning.plate_state import Item, PlateState
from router.planning.problem import DAY_MIN, Problem
from router.planning.state import build_times
from router.worktime import whole_minutes

_FINE_DAYS = 21
"""Buckets of one day up to here, then of a week."""
_COARSE_WEEKS = 10
_LEAN = 0.998
"""Spacing and margin may fall short by 0.01 mm each (RULES.md, section 3), so plates may cover a little above 1."""
_ROUNDING_CENTS = 5.0
"""Roundings half up inside one build (machine, powder, gas, energy, labour, carbon, three plate steps): at most 4.5."""


@dataclass
class _Columns:
    """Columns of the programme, one entry a column."""

    line: list[int] = field(default_factory=list)
    machine: list[int] = field(default_factory=list)
    bucket: list[int] = field(default_factory=list)
    cost: list[float] = field(default_factory=list)
    hours: list[float] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Bound:
    """The bound and what it was made from."""

    cents: int
    columns: int
    rows: int
    solver_cents: float
    """What the solver claims for the programme; the closed form is at most this, up to its tolerance."""


def lower_bound(problem: Problem, lines: Collection[int], seconds: float | None = None) -> Bound | None:
    """A proven lower bound on the landed cost of every plan that builds these lines; None for none of them.

    ``seconds`` limits the solver; without its multipliers the bound is the one that ignores capacity.
    """
    starts = _bucket_starts(problem)
    columns = _columns(problem, starts, lines)
    if not columns.line:
        return None
    rows = sorted(set(columns.line))
    row_of_line = {line: row for row, line in enumerate(rows)}
    quantity = np.array([problem.lines[i].quantity for i in rows], dtype=float)
    line = np.array([row_of_line[i] for i in columns.line])
    machine = np.array(columns.machine)
    bucket = np.array(columns.bucket)
    cost = np.array(columns.cost)
    hours = np.array(columns.hours)
    capacity = _capacity_hours(problem, starts)
    last = len(starts) - 1
    multipliers, claimed = _solve(line, machine, bucket, cost, hours, quantity, capacity, last, seconds)
    # Multiplier weight a column bears: every capacity row from its bucket on.
    from_bucket = np.cumsum(multipliers[:, ::-1], axis=1)[:, ::-1]
    padded = np.hstack([from_bucket, np.zeros((from_bucket.shape[0], 1))])
    reduced = cost + hours * padded[machine, bucket]
    cheapest = np.full(len(rows), np.inf)
    np.minimum.at(cheapest, line, reduced)
    value = float(np.dot(cheapest, quantity)) - float(np.sum(multipliers * capacity[:, :last]))
    return Bound(math.floor(value), len(cost), len(rows) + capacity.shape[0] * last, claimed)


def _bucket_starts(problem: Problem) -> list[Minute]:
    days = list(range(_FINE_DAYS)) + [_FINE_DAYS + 7 * w for w in range(_COARSE_WEEKS)]
    return [problem.now + d * DAY_MIN for d in days]


def _capacity_hours(problem: Problem, starts: list[Minute]) -> npt.NDArray[np.float64]:
    """Hours each machine has from its first free moment to the end of each bucket (the last has no end)."""
    ends = [*starts[1:], starts[-1]]
    table = np.zeros((len(problem.machines), len(starts)))
    for m in range(len(problem.machines)):
        for b, end in enumerate(ends):
            open_min = max(0, end - problem.available[m])
            for start, stop in problem.maintenance[m]:
                open_min -= max(0, min(stop, end) - max(start, problem.available[m]))
            table[m, b] = max(0, open_min) / 60
    return table


def _columns(problem: Problem, starts: list[Minute], lines: Collection[int]) -> _Columns:
    columns = _Columns()
    for line in sorted(lines):
        for machine in range(len(problem.machines)):
            if not problem.all_choices(line, machine):
                continue
            arrivals = _late_cents(problem, line, machine, starts)
            if arrivals is None:
                continue
            steps = _lot_cents(problem, line, problem.machines[machine].site_id)
            options = [_piece(problem, line, machine, c) for c in problem.all_choices(line, machine)]
            for own, load_h, support in _pareto(options):
                base = own + steps(support)
                kept: tuple[int, float] | None = None
                for b in range(arrivals[0], len(starts)):
                    cents = arrivals[1][b]
                    if not math.isfinite(cents):
                        continue
                    # Among buckets of equal cost the latest asks least of the machine: it stands for all.
                    if kept is not None and cents > kept[1] + 1e-9:
                        _add(columns, line, machine, kept[0], base + kept[1], load_h)
                    kept = (b, cents)
                if kept is not None:
                    _add(columns, line, machine, kept[0], base + kept[1], load_h)
    return columns


def _add(columns: _Columns, line: int, machine: int, bucket: int, cost: float, hours: float) -> None:
    columns.line.append(line)
    columns.machine.append(machine)
    columns.bucket.append(bucket)
    columns.cost.append(cost)
    columns.hours.append(hours)


def _piece(problem: Problem, line: int, machine: int, choice: Choice) -> tuple[float, float, float]:
    """Cents, machine hours and support cm3 that one piece needs at the least."""
    made = problem.machines[machine]
    terms = problem.build_terms(machine, problem.lines[line].parameter_set_id)
    rates = terms.rates
    site = problem.network.site[made.site_id]
    share = min(1.0, _LEAN * choice.bound_area_mm2 / problem.specs[machine].bound_area_mm2)
    carbon_h = made.power_kw * site.grid_kg_co2e_per_kwh * problem.network.carbon_cents_per_kg
    idle_h = (made.setup_min + made.cooldown_min) / 60
    recoat_h = choice.layers * made.recoat_s / 3600
    alloy_id = problem.alloy_of(problem.lines[line].parameter_set_id)
    _, steps = problem.plate_done(made.site_id, alloy_id, (), problem.now, 0.0)
    start = rates.start_cents + idle_h * carbon_h + steps - _ROUNDING_CENTS
    own = rates.own_cents(choice.load) + choice.load.exposure_h * carbon_h
    plate = start + choice.layers * rates.layer_cents + recoat_h * carbon_h
    hours = choice.load.exposure_h + share * (idle_h + recoat_h + made.load_min / 60)
    return own + share * max(0.0, plate), hours, choice.support_cm3


def _pareto(options: list[tuple[float, float, float]]) -> list[tuple[float, float, float]]:
    """Options no other is at least as good as in cost, hours and support."""
    kept: list[tuple[float, float, float]] = []
    for option in sorted(options):
        if not any(all(k <= o for k, o in zip(other, option, strict=True)) for other in kept):
            kept.append(option)
    return kept


class _LotFloor:
    """Least cost a piece of a line bears of the steps after the plate, by its support volume."""

    def __init__(self, fixed: float, per_support_cm3: float) -> None:
        self._fixed = fixed
        self._per_support = per_support_cm3

    def __call__(self, support_cm3: float) -> float:
        return self._fixed + self._per_support * support_cm3


def _lot_cents(problem: Problem, line: int, site_id: str) -> _LotFloor:
    network = problem.network
    wanted = problem.lines[line]
    labour = network.site[site_id].labour_cents_per_h
    each = per_support = 0.0
    for step in lot_route(wanted, network.alloy[wanted.alloy_id]):
        centre = network.work_centre.get((site_id, step))
        if centre is None:
            once, piece = _outside_floor(problem, line, site_id, step)
        else:
            hourly = centre.rate_cents_per_h + (labour if centre.attended else 0)
            once = centre.fixed_cents + centre.lot_min / 60 * hourly
            piece = centre.piece_min / 60 * hourly
            per_support += centre.min_per_support_cm3 / 60 * hourly
        # A lot rounds down by half a cent at most; a line is at least one lot and at most one a piece.
        each += piece + ((once - 0.5) / wanted.quantity if once >= 0.5 else -0.5)
    return _LotFloor(each, per_support)


def _outside_floor(problem: Problem, line: int, site_id: str, step: Step) -> tuple[float, float]:
    services = problem.network.outside(site_id, step)
    once = min(s.lot_cents for s in services)
    per_kg = min(s.cents_per_kg for s in services)
    return float(once), per_kg * problem.part_kg[line]


def _late_cents(problem: Problem, line: int, machine: int, starts: list[Minute]) -> tuple[int, list[float]] | None:
    """First bucket in which a piece can end there, and the least freight + lateness of a piece ending in each."""
    made = problem.machines[machine]
    site_id = made.site_id
    wanted = problem.lines[line]
    staffed = problem.staffed[site_id]
    earliest: Minute | None = None
    support = min(c.support_cm3 for c in problem.all_choices(line, machine))
    for choice in problem.all_choices(line, machine):
        lone = PlateState(0, machine, wanted.parameter_set_id, Nest(problem.specs[machine]))
        lone.items[line] = Item(choice, 1)
        lone.refresh(problem)
        # Nothing loaded: a changeover could only delay it.
        try:
            times = build_times(problem, machine, lone, problem.available[machine], None)
        except PlatewrightError:
            continue  # a calendar without work: no plan can build it there either
        if times is not None:
            earliest = times.run_end if earliest is None else min(earliest, times.run_end)
    if earliest is None:
        return None
    carriers = _carrier_floors(problem, line, site_id)
    if not carriers:
        return None
    costs: list[float] = []
    first = 0
    for b, start in enumerate(starts):
        end = starts[b + 1] if b + 1 < len(starts) else None
        if end is not None and end <= earliest:
            first = b + 1
            costs.append(math.inf)
            continue
        run_end = max(start, earliest)
        try:
            unloaded = staffed.attended(run_end, made.unload_min)[1]
            ready = _soonest_ready(problem, line, site_id, support, unloaded)
        except PlatewrightError:
            costs.append(math.inf)
            continue
        best = math.inf
        for cents, carrier_id, transit in carriers:
            dispatched = staffed.collected(ready, problem.network.carrier[carrier_id].cutoff)
            late = max(0, (arrival_date(dispatched, transit, wanted.ship_to) - wanted.due_date).days)
            best = min(best, cents + wanted.late_cents_per_day * late / wanted.quantity)
        # Later is never cheaper; keeping it monotone guards the dominance above against calendar oddities.
        costs.append(best)
    for b in range(len(costs) - 2, -1, -1):
        costs[b] = min(costs[b], costs[b + 1])
    return first, costs


def _soonest_ready(problem: Problem, line: int, site_id: str, support_cm3: float, unloaded: Minute) -> Minute:
    """Ready moment of one piece if, wherever a step is bought outside, the quickest service took it."""
    network, staffed = problem.network, problem.staffed[site_id]
    wanted = problem.lines[line]
    t = unloaded
    for step in route(wanted, network.alloy[wanted.alloy_id]):
        centre = network.work_centre.get((site_id, step))
        if centre is not None:
            minutes = centre.plate_min if step in PLATE_STEPS else lot_minutes(centre, 1, support_cm3)
            t = (staffed.attended if centre.attended else staffed.unattended)(t, whole_minutes(minutes))[1]
            continue
        back = []
        for service in network.outside(site_id, step):
            day = staffed.collected(t, service.pickup_time, service.pickup_weekdays)
            back.append(staffed.at_local(staffed.business.add(day, service.lead_working_days), service.return_time))
        t = max(t, min(back))
    return t


def _carrier_floors(problem: Problem, line: int, site_id: str) -> list[tuple[float, str, int]]:
    """Per carrier: least freight and carbon of a piece, and transit days."""
    network = problem.network
    wanted = problem.lines[line]
    lane = problem.desk.lane(site_id, wanted.ship_to)
    packed_kg = problem.part_kg[line] * (1 + network.packaging.mass_fraction)
    bulk_cm3 = problem.box_cm3[line] * network.packaging.void_factor
    found = []
    for carrier in network.carriers:
        distance = lane.distance_km(carrier.by_air)
        zone = zone_of(carrier, distance)
        if zone is None:
            continue
        customs = network.customs if lane.crosses_customs else None
        per_kg_carbon = distance * carrier.kg_co2e_per_tonne_km / 1000 * network.carbon_cents_per_kg
        once = float(zone.base_cents + (customs.cents if customs else 0))
        once += network.packaging.fixed_kg * per_kg_carbon
        piece = zone.cents_per_kg * max(packed_kg, bulk_cm3 / carrier.dim_cm3_per_kg) + packed_kg * per_kg_carbon
        # Freight, carbon and lateness of a shipment each round down by half a cent at most.
        each = piece + ((once - 1.5) / wanted.quantity if once >= 1.5 else -1.5)
        found.append((each, carrier.carrier_id, zone.transit_working_days + (customs.working_days if customs else 0)))
    return found


def _solve(
    line: npt.NDArray[np.int64],
    machine: npt.NDArray[np.int64],
    bucket: npt.NDArray[np.int64],
    cost: npt.NDArray[np.float64],
    hours: npt.NDArray[np.float64],
    quantity: npt.NDArray[np.float64],
    capacity: npt.NDArray[np.float64],
    last: int,
    seconds: float | None,
) -> tuple[npt.NDArray[np.float64], float]:
    """Multipliers (cents an hour) of the capacity rows, machines x buckets without the open last one."""
    machines = capacity.shape[0]
    rows: list[npt.NDArray[np.int64]] = []
    cols: list[npt.NDArray[np.int64]] = []
    index = np.arange(len(cost))
    for b in range(last):
        within = bucket <= b
        rows.append(machine[within] * last + b)
        cols.append(index[within])
    row = np.concatenate(rows) if rows else np.zeros(0, dtype=np.int64)
    col = np.concatenate(cols) if cols else np.zeros(0, dtype=np.int64)
    upper = coo_array((hours[col], (row, col)), shape=(machines * last, len(cost))).tocsr()
    equal = coo_array((np.ones(len(cost)), (line, index)), shape=(len(quantity), len(cost))).tocsr()
    solved = linprog(
        cost,
        A_ub=upper,
        b_ub=capacity[:, :last].ravel(),
        A_eq=equal,
        b_eq=quantity,
        bounds=(0, None),
        method="highs",
        options={} if seconds is None else {"time_limit": seconds},
    )
    if solved.status != 0:
        # Without multipliers the Lagrangian is the bound that ignores capacity: weaker and still valid.
        return np.zeros((machines, last)), math.nan
    multipliers = np.maximum(0.0, -np.asarray(solved.ineqlin.marginals)).reshape(machines, last)
    return multipliers, float(solved.fun)
