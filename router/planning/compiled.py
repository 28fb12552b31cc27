"""A scenario's problem turned into the arrays of router/scheduling, and the rooms that nest its outlines.

What the arrays leave out, ``adopt`` in draft_plan.py settles with the exact state: cents rounded item by item, outside
services whose credentials lapse, windows with gaps.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import time, timedelta
from typing import Any

import numpy as np

from router.costing import lot_route, plate_route
from router.costing.steps import holds
from router.domain.sites import OutsideService, Step, WorkCentre
from router.freight.quotes import zone_of
from router.planning.eligibility import Choice
from router.planning.problem import DAY_MIN, Problem
from router.scheduling.rooms import NestRooms
from router.scheduling.shop import (
    ATTENDED,
    BOUGHT,
    CARRIER,
    CHANGE,
    COMMON,
    GATE,
    LINE,
    MACHINE,
    NEVER,
    OFFER,
    POST,
    RATE,
    SPAN,
    STEP,
    STRETCH,
    TRIP,
    UNATTENDED,
    VARIANT,
    Rows,
    Shop,
    table,
)
from router.worktime import business_days

HORIZON_DAYS = 730
"""Calendars are laid out this far; what would be later counts as never."""
_FULL = 0.72
"""Share of a plate that copies of one outline are taken to cover; estimates only."""


@dataclass(frozen=True, slots=True)
class Compiled:
    """The arrays and the way back from them."""

    shop: Shop
    rooms: NestRooms
    choices: tuple[Choice, ...]
    """The choice each variant stands for."""


def compiled(problem: Problem) -> Compiled:
    """Everything of a problem the search looks at."""
    return _Compiler(problem).run()


class _Compiler:
    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.network = problem.network
        self.days = [self.network.now.date() + timedelta(days=d) for d in range(-1, HORIZON_DAYS)]
        self.site_index = {s.site_id: n for n, s in enumerate(self.network.sites)}
        self.powders = list(dict.fromkeys(x.parameter_set_id for x in problem.lines))
        self.alloys = [a.alloy_id for a in self.network.alloys]
        codes = sorted({x.export_control for x in problem.lines if x.export_control})
        self.code_bit = {code: 1 << n for n, code in enumerate(codes)}
        self.steps: list[tuple[Any, ...]] = []
        self.offers: list[tuple[Any, ...]] = []
        self.trips: list[tuple[Any, ...]] = []
        self.trip_spans: list[tuple[int, int]] = []
        self._trip_index: dict[tuple[str, str, tuple[str, ...]], int] = {}
        self.posts: list[tuple[int, int]] = []
        self.post_spans: list[tuple[int, int]] = []
        self._post_index: dict[tuple[str, time], int] = {}

    def run(self) -> Compiled:
        problem, network = self.problem, self.network
        choices, shapes, variants, kinds = self._variants()
        shifts, staffed = self._staffed()
        stops, machines = self._machines()
        places = list(dict.fromkeys(x.ship_to for x in problem.lines))
        place_index = {p: n for n, p in enumerate(places)}
        routes: dict[tuple[Any, ...], int] = {}
        lot_steps: list[tuple[int, int]] = []
        lines: list[tuple[Any, ...]] = []
        for i, x in enumerate(problem.lines):
            route = lot_route(x, network.alloy[x.alloy_id])
            if route not in routes:
                routes[route] = len(routes)
                for site in network.sites:
                    lot_steps.append(
                        self._walk(site.site_id, route, lambda c: (c.lot_min, c.piece_min, c.min_per_support_cm3))
                    )
            lines.append(
                (
                    x.quantity,
                    self.powders.index(x.parameter_set_id),
                    problem.kind[i],
                    place_index[x.ship_to],
                    routes[route],
                    problem.release[i],
                    problem.due[i],
                    problem.pressed_from(i),
                    x.late_cents_per_day,
                    problem.part_kg[i],
                    problem.box_cm3[i],
                    x.coupons,
                    self.code_bit.get(x.export_control or "", 0),
                    int(x.own_plate),
                    int(x.may_split_sites),
                )
            )
        plate_steps = [
            self._walk(site.site_id, plate_route(network.alloy[a]), lambda c: (c.plate_min, 0.0, 0.0))
            for site in network.sites
            for a in self.alloys
        ]
        carriers, lanes = self._lanes(places)
        calendars = list(dict.fromkeys(p.country for p in places))
        before, business = self._business(calendars)
        n_sites, n_machines, n_alloys = len(network.sites), len(problem.machines), len(self.alloys)
        first_spec = problem.specs[0]
        shop = Shop(
            lines=table(LINE, lines),
            gates=self._gates(),
            alloy_of=np.array([self.alloys.index(problem.alloy_of(g)) for g in self.powders], dtype=np.int64),
            machines=machines,
            rates=self._rates(),
            changes=table(CHANGE, self._changes(), (n_machines, n_alloys + 1, n_alloys)),
            stops=stops,
            variants=table(VARIANT, variants),
            kinds=table(SPAN, kinds, (problem.n_kinds, problem.n_machine_classes)),
            staffed=staffed,
            shifts=shifts,
            steps=table(STEP, self.steps),
            plate_steps=table(SPAN, plate_steps, (n_sites, n_alloys)),
            lot_steps=table(SPAN, lot_steps, (len(routes), n_sites)),
            offers=table(OFFER, self.offers),
            trips=table(TRIP, self.trips),
            trip_spans=table(SPAN, self.trip_spans),
            carriers=table(CARRIER, carriers),
            lanes=table(SPAN, lanes, (len(places), n_sites)),
            posts=table(POST, self.posts),
            post_spans=table(SPAN, self.post_spans),
            calendar_of=np.array([calendars.index(p.country) for p in places], dtype=np.int64),
            days_before=before,
            business=business,
            common=table(
                COMMON,
                [
                    (
                        self.days[0].toordinal(),
                        network.packaging.mass_fraction,
                        network.packaging.fixed_kg,
                        network.packaging.void_factor,
                        problem.coupon_shape.bound_area_mm2(first_spec.spacing_mm),
                        DAY_MIN,
                    )
                ],
            ),
        )
        classes = self._plate_classes()
        specs = [problem.specs[classes.index(c)] for c in range(max(classes) + 1)]
        return Compiled(shop, NestRooms(specs, shapes, problem.coupon_shape), tuple(choices))

    # --- what is built where ---------------------------------------------------------------------------------

    def _variants(self) -> tuple[list[Choice], list[Any], list[tuple[Any, ...]], list[tuple[int, int]]]:
        problem = self.problem
        area = [0.0] * problem.n_machine_classes
        for k, model in enumerate(problem.machine_class):
            area[model] = problem.specs[k].bound_area_mm2
        choices: list[Choice] = []
        shapes: dict[str, tuple[int, Any]] = {}
        rows: list[tuple[Any, ...]] = []
        kinds: list[tuple[int, int]] = []
        for kind in range(problem.n_kinds):
            for model in range(problem.n_machine_classes):
                first = len(rows)
                for choice in problem.kind_choices(kind, model):
                    shape, _ = shapes.setdefault(choice.shape.key, (len(shapes), choice.shape))
                    full = max(1, int(_FULL * area[model] / choice.bound_area_mm2))
                    rows.append(
                        (
                            shape,
                            choice.layers,
                            choice.load.exposure_h,
                            choice.load.melted_kg,
                            choice.support_cm3,
                            choice.bound_area_mm2,
                            full,
                        )
                    )
                    choices.append(choice)
                kinds.append((first, len(rows)))
        return choices, [shape for _, shape in shapes.values()], rows, kinds

    def _gates(self) -> Rows:
        problem = self.problem
        sites = self.network.sites
        gates = np.zeros((len(problem.lines), len(sites)), dtype=GATE)
        gates["before"] = NEVER
        for i in range(len(problem.lines)):
            for s, site in enumerate(sites):
                verdict = problem.site_verdict(i, site.site_id)
                if verdict.reasons:
                    continue
                gates[i, s]["open"] = 1
                if len(verdict.windows) != 1 or verdict.windows[0][0] > 0 or verdict.windows[0][1] < 1 << 40:
                    gates[i, s]["start"], gates[i, s]["before"] = verdict.windows[0]
        return gates

    def _plate_classes(self) -> list[int]:
        seen: dict[Any, int] = {}
        return [seen.setdefault(spec, len(seen)) for spec in self.problem.specs]

    def _machines(self) -> tuple[Rows, Rows]:
        problem = self.problem
        classes = self._plate_classes()
        stops: list[tuple[int, int, int]] = []
        rows: list[tuple[Any, ...]] = []
        for k, made in enumerate(problem.machines):
            first = len(stops)
            stops += [(start, end, 0) for start, end in problem.maintenance[k]]
            rows.append(
                (
                    self.site_index[made.site_id],
                    problem.machine_class[k],
                    problem.available[k],
                    self.alloys.index(made.loaded_alloy_id) if made.loaded_alloy_id else -1,
                    made.load_min,
                    made.unload_min,
                    60.0 * made.setup_min,
                    made.recoat_s,
                    60.0 * made.cooldown_min,
                    problem.specs[k].bound_area_mm2,
                    classes[k],
                    first,
                    len(stops),
                )
            )
        return table(STRETCH, stops), table(MACHINE, rows)

    def _rates(self) -> Rows:
        problem, network = self.problem, self.network
        rows = np.zeros((len(problem.machines), len(self.powders)), dtype=RATE)
        for k, made in enumerate(problem.machines):
            carbon_h = made.power_kw * network.site[made.site_id].grid_kg_co2e_per_kwh * network.carbon_cents_per_kg
            for g, powder in enumerate(self.powders):
                if problem.alloy_of(powder) not in made.alloys:
                    continue
                rates = problem.build_terms(k, powder).rates
                alloy = network.alloy[problem.alloy_of(powder)]
                coupon = problem.coupon(k, powder)
                rows[k, g] = (
                    1,
                    rates.start_cents + (made.setup_min + made.cooldown_min) / 60 * carbon_h,
                    rates.layer_cents + made.recoat_s / 3600 * carbon_h,
                    rates.hour_cents + carbon_h,
                    alloy.powder_cents_per_kg * (1 + alloy.powder_loss_fraction),
                    coupon.exposure_h,
                    coupon.melted_kg,
                    coupon.n_layers,
                )
        return rows

    def _changes(self) -> list[tuple[int, int]]:
        problem = self.problem
        rows: list[tuple[int, int]] = []
        for k in range(len(problem.machines)):
            for leaving in [*self.alloys, None]:
                for entering in self.alloys:
                    terms = problem.changeover_terms(k, leaving, entering)
                    if leaving is None or leaving == entering:
                        rows.append((0, 0))
                    else:
                        rows.append((-1, 0) if terms is None else (terms.minutes, terms.cost_cents))
        return rows

    # --- time ------------------------------------------------------------------------------------------------

    def _staffed(self) -> tuple[Rows, Rows]:
        start = self.problem.now
        spans: list[tuple[int, int]] = []
        rows: list[tuple[int, int, int]] = []
        for site in self.network.sites:
            first, total = len(rows), 0
            for a, b in self.problem.staffed[site.site_id].intervals(start, start + HORIZON_DAYS * DAY_MIN):
                rows.append((a, b, total))
                total += b - a
            spans.append((first, len(rows)))
        return table(SPAN, spans), table(STRETCH, rows)

    def _walk(
        self, site_id: str, route: tuple[Step, ...], minutes: Callable[[WorkCentre], tuple[float, float, float]]
    ) -> tuple[int, int]:
        """Rows of a route's steps at a site; a step nobody does has no offers and so is never passed."""
        first = len(self.steps)
        labour = self.network.site[site_id].labour_cents_per_h
        for step in route:
            centre = self.network.work_centre.get((site_id, step))
            if centre is not None:
                hourly = centre.rate_cents_per_h + (labour if centre.attended else 0)
                kind = ATTENDED if centre.attended else UNATTENDED
                self.steps.append((kind, *minutes(centre), centre.fixed_cents, hourly / 60, 0, 0))
                continue
            start = len(self.offers)
            for service in self.network.outside(site_id, step):
                # Twice: for pieces without a code, and for coded ones on the days their codes are held.
                held = tuple(code for code in self.code_bit if holds(service, code, None))
                for codes in dict.fromkeys(((), held)):
                    bits = sum(self.code_bit[code] for code in codes)
                    trip = self._trip(site_id, service, codes)
                    self.offers.append((service.lot_cents, service.cents_per_kg, bits, trip))
            self.steps.append((BOUGHT, 0.0, 0.0, 0.0, 0.0, 0.0, start, len(self.offers)))
        return first, len(self.steps)

    def _trip(self, site_id: str, service: OutsideService, codes: tuple[str, ...]) -> int:
        key = (site_id, service.service_id, codes)
        if key not in self._trip_index:
            staffed = self.problem.staffed[site_id]
            first = len(self.trips)
            for day in self.days:
                if not (staffed.business.is_business(day) and day.weekday() in service.pickup_weekdays):
                    continue
                if all(holds(service, code, day) for code in codes):
                    back = staffed.at_local(staffed.business.add(day, service.lead_working_days), service.return_time)
                    self.trips.append((staffed.at_local(day, service.pickup_time), back))
            self._trip_index[key] = len(self.trip_spans)
            self.trip_spans.append((first, len(self.trips)))
        return self._trip_index[key]

    def _post(self, site_id: str, cutoff: time) -> int:
        key = (site_id, cutoff)
        if key not in self._post_index:
            staffed = self.problem.staffed[site_id]
            first = len(self.posts)
            for day in self.days:
                if staffed.business.is_business(day):
                    self.posts.append((staffed.at_local(day, cutoff), day.toordinal()))
            self._post_index[key] = len(self.post_spans)
            self.post_spans.append((first, len(self.posts)))
        return self._post_index[key]

    # --- freight ---------------------------------------------------------------------------------------------

    def _lanes(self, places: list[Any]) -> tuple[list[tuple[Any, ...]], list[tuple[int, int]]]:
        network = self.network
        carriers: list[tuple[Any, ...]] = []
        lanes: list[tuple[int, int]] = []
        for place in places:
            for site in network.sites:
                first = len(carriers)
                lane = self.problem.desk.lane(site.site_id, place)
                customs = network.customs if lane.crosses_customs else None
                for carrier in network.carriers:
                    distance = lane.distance_km(carrier.by_air)
                    zone = zone_of(carrier, distance)
                    if zone is None:
                        continue
                    carriers.append(
                        (
                            zone.base_cents,
                            zone.cents_per_kg,
                            carrier.dim_cm3_per_kg,
                            carrier.max_chargeable_kg,
                            distance * carrier.kg_co2e_per_tonne_km / 1000 * network.carbon_cents_per_kg,
                            zone.transit_working_days + (customs.working_days if customs else 0),
                            self._post(site.site_id, carrier.cutoff),
                            customs.cents if customs else 0,
                        )
                    )
                lanes.append((first, len(carriers)))
        return carriers, lanes

    def _business(self, countries: list[str]) -> tuple[Any, Any]:
        horizon = len(self.days)
        before = np.zeros((len(countries), horizon), dtype=np.int64)
        business = np.full((len(countries), horizon), NEVER, dtype=np.int64)
        for n, country in enumerate(countries):
            count = 0
            calendar = business_days(country)
            for d, day in enumerate(self.days):
                if calendar.is_business(day):
                    business[n, count] = day.toordinal()
                    count += 1
                before[n, d] = count
        return before, business
