"""A made-up planning run for the report's tests: believable in looks, invented in every figure.

The builds are packed on a plain grid and timed one after another; costs follow simple formulas of their own. Nothing
here is a plan by the rules: the report must draw what it is given, whoever made it.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from router.domain.alloys import Alloy, ParameterSet
from router.domain.carriers import Carrier, Customs, Packaging, Zone
from router.domain.machines import ChangeoverRule, KeepOutZone, Machine, Maintenance, Plate
from router.domain.network import Coupon, Network, Scenario
from router.domain.orders import OrderLine
from router.domain.places import Place
from router.domain.plan import (
    Build,
    BuildCost,
    Changeover,
    LineShare,
    Lot,
    PlacedPiece,
    Plan,
    Shipment,
    Totals,
    Unplanned,
)
from router.domain.result import Kpis, LineOptions, Result, SiteOption, TracePoint
from router.domain.sites import Shift, Site, Step
from router.geometry.facts import Footprint, Orientation, PartFacts, Piece, Ring
from router.kernel.money import apportion

NOW = datetime(2026, 11, 25, 5, 0, tzinfo=UTC)

_SITES = (
    ("GOT", "Gothenburg works", "Gothenburg", "SE", 57.71, 11.97, "Europe/Stockholm"),
    ("BHX", "Midlands shop", "Birmingham", "GB", 52.48, -1.90, "Europe/London"),
    ("STR", "Neckar hall", "Stuttgart", "DE", 48.78, 9.18, "Europe/Berlin"),
    ("TRN", "Po valley works", "Turin", "IT", 45.07, 7.69, "Europe/Rome"),
    ("BIO", "Biscay shop", "Bilbao", "ES", 43.26, -2.93, "Europe/Madrid"),
    ("KRK", "Vistula hall", "Krakow", "PL", 50.06, 19.94, "Europe/Warsaw"),
)
_TOWNS = (
    ("Oslo", "NO", 59.91, 10.75), ("Aalborg", "DK", 57.05, 9.92), ("Hamburg", "DE", 53.55, 9.99),
    ("Rotterdam", "NL", 51.92, 4.48), ("Antwerp", "BE", 51.22, 4.40), ("Lyon", "FR", 45.76, 4.84),
    ("Toulouse", "FR", 43.60, 1.44), ("Zaragoza", "ES", 41.65, -0.89), ("Porto", "PT", 41.15, -8.61),
    ("Bologna", "IT", 44.49, 11.34), ("Linz", "AT", 48.31, 14.29), ("Brno", "CZ", 49.20, 16.61),
    ("Gyor", "HU", 47.68, 17.64), ("Wroclaw", "PL", 51.11, 17.04), ("Tampere", "FI", 61.50, 23.76),
    ("Derby", "GB", 52.92, -1.48), ("Bristol", "GB", 51.45, -2.59), ("Cork", "IE", 51.90, -8.47),
    ("Zurich", "CH", 47.37, 8.54), ("Graz", "AT", 47.07, 15.44), ("Vasteras", "SE", 59.61, 16.54),
    ("Munich", "DE", 48.14, 11.58), ("Seville", "ES", 37.39, -5.98), ("Ljubljana", "SI", 46.06, 14.51),
)  # fmt: skip
_ALLOYS = (
    ("IN718", "Nickel 718", "nickel", 8.19, False),
    ("IN625", "Nickel 625", "nickel", 8.44, False),
    ("AlSi10Mg", "Aluminium AlSi10Mg", "aluminium", 2.67, True),
    ("Ti64", "Titanium 6-4", "titanium", 4.43, True),
    ("CoCr", "Cobalt-chrome", "cobalt", 8.3, False),
    ("17-4PH", "Stainless 17-4 PH", "steel", 7.8, False),
    ("316L", "Stainless 316L", "steel", 7.99, False),
)
_PARTS = ("bracket", "flange", "impeller", "manifold", "hinge", "nozzle ring", "clamp", "guide", "cover", "lever")


def circle(x: float, y: float, radius: float, steps: int, clockwise: bool = False) -> Ring:
    """A regular polygon."""
    turn = -1 if clockwise else 1
    return tuple(
        (x + radius * math.cos(turn * math.tau * i / steps), y + radius * math.sin(turn * math.tau * i / steps))
        for i in range(steps)
    )


def _outline(kind: int, size: float) -> Piece:
    """One of six families of footprints, holes and all, box from (0, 0)."""
    s = size
    if kind == 0:
        bracket = ((0.0, 0.0), (s, 0.0), (s, 0.3 * s), (0.35 * s, 0.3 * s), (0.3 * s, 0.35 * s), (0.3 * s, s), (0.0, s))
        return bracket, (circle(0.15 * s, 0.85 * s, 0.07 * s, 16, True), circle(0.85 * s, 0.15 * s, 0.07 * s, 16, True))
    if kind == 1:
        bolts = [
            circle(s / 2 + 0.38 * s * math.cos(a), s / 2 + 0.38 * s * math.sin(a), 0.05 * s, 12, True)
            for a in (math.tau * i / 6 for i in range(6))
        ]
        return circle(s / 2, s / 2, s / 2, 48), (circle(s / 2, s / 2, 0.22 * s, 32, True), *bolts)
    if kind == 2:
        blades = tuple(
            (s / 2 + s / 2 * r * math.cos(a), s / 2 + s / 2 * r * math.sin(a))
            for a, r in ((math.tau * i / 96, 0.82 + 0.18 * math.sin(9 * math.tau * i / 96)) for i in range(96))
        )
        return blades, (circle(s / 2, s / 2, 0.14 * s, 24, True),)
    if kind == 3:
        w = 0.42 * s
        return ((0.0, 0.0), (s, 0.0), (s, w), (0.72 * s, w), (0.66 * s, 0.7 * w), (0.3 * s, 0.7 * w), (0.0, w)), (
            circle(0.16 * s, 0.4 * w, 0.12 * w, 14, True),
        )
    if kind == 4:
        ring = (
            (0.08 * s, 0.0),
            (0.92 * s, 0.0),
            (s, 0.08 * s),
            (s, 0.52 * s),
            (0.92 * s, 0.6 * s),
            (0.08 * s, 0.6 * s),
        )
        hole = ((0.2 * s, 0.15 * s), (0.2 * s, 0.45 * s), (0.8 * s, 0.45 * s), (0.8 * s, 0.15 * s))
        return (*ring, (0.0, 0.52 * s), (0.0, 0.08 * s)), (hole,)
    return circle(s / 2, s / 2, s / 2, 40), (circle(s / 2, s / 2, 0.36 * s, 40, True),)


def _ring_area(ring: Ring) -> float:
    return abs(sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in zip(ring, ring[1:] + ring[:1], strict=True))) / 2


def make_part(rng: random.Random, number: int) -> PartFacts:
    """Facts of a made-up part with two orientations."""
    size = rng.choice((18.0, 24.0, 30.0, 42.0, 55.0, 70.0, 95.0)) * rng.uniform(0.9, 1.1)
    piece = _outline(number % 6, size)
    xs, ys = [p[0] for p in piece[0]], [p[1] for p in piece[0]]
    area = _ring_area(piece[0]) - sum(_ring_area(h) for h in piece[1])
    width, depth, height = max(xs) - min(xs), max(ys) - min(ys), rng.uniform(12, 110)
    moved: Piece = (
        tuple((x - min(xs), y - min(ys)) for x, y in piece[0]),
        tuple(tuple((x - min(xs), y - min(ys)) for x, y in hole) for hole in piece[1]),
    )
    low = Footprint((moved,), area, width, depth)
    box: Ring = ((0.0, 0.0), (width, 0.0), (width, height), (0.0, height))
    side = Footprint(((box, ()),), width * height, width, height)
    unit = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)
    volume = area * height * 0.45
    hollow = number % 17 == 5
    leaky = number % 19 == 7
    return PartFacts(
        content_hash=f"{number:064x}",
        closed=not leaky,
        volume_mm3=volume,
        area_mm2=6 * area,
        bbox_mm=(width, depth, height),
        triangles=rng.randrange(2_000, 90_000),
        body_count=1,
        closed_hollows=1 if hollow else 0,
        orientations=(
            Orientation("a", "as modelled", unit, height, low, 0.2 * area, volume * 0.1),
            Orientation("b", "on its side", unit, depth, side, 0.3 * area, volume * 0.2),
        ),
        notes=("the mesh is not closed; its volume is an estimate",) if leaky else (),
    )


def make_network(rng: random.Random) -> Network:
    """Six sites, twenty machines, seven alloys."""
    day = Shift((0, 1, 2, 3, 4), time(6), time(14))
    late = Shift((0, 1, 2, 3, 4), time(14), time(22))
    sites = tuple(
        Site(
            site_id=key, name=name, place=Place(town, country, lat, lon), time_zone=zone, holiday_country=country,
            holiday_subdivision=None, closures=(date(2026, 12, 24),),
            shifts=(day, late) if n % 2 else (day,), labour_cents_per_h=5200, energy_cents_per_kwh=19,
            grid_kg_co2e_per_kwh=0.25, credentials=(),
        )
        for n, (key, name, town, country, lat, lon, zone) in enumerate(_SITES)
    )  # fmt: skip
    machines = []
    for n in range(20):
        site = _SITES[n % 6][0]
        kind = n % 4
        width = (250.0, 280.0, 400.0, 300.0)[kind]
        keep_outs = tuple(KeepOutZone(x, y, 9) for x in (12.0, width - 12) for y in (12.0, width - 12))
        alloys = (_ALLOYS[n % 7][0], _ALLOYS[(n + 3) % 7][0])
        machines.append(
            Machine(
                machine_id=f"{site}-{n // 6 + 1}", site_id=site, model=("M250", "M280-2", "M400-4", "R300")[kind],
                plate=Plate(width, width, kind == 3, 5, 3, () if kind == 3 else keep_outs), height_mm=320,
                lasers=(1, 2, 4, 1)[kind], laser_efficiency=0.9, recoat_s=9, setup_min=90, cooldown_min=120,
                load_min=45, unload_min=60, rate_cents_per_h=4800, purge_cents=2500, gas_cents_per_h=310, power_kw=6.5,
                plate_cents=14000, alloys=alloys, loaded_alloy_id=alloys[0],
                available_from=NOW + timedelta(hours=rng.choice((0, 0, 5, 19))),
                maintenance=(
                    (Maintenance(NOW + timedelta(days=6), NOW + timedelta(days=6, hours=9), "yearly service"),)
                    if n % 5 == 1 else ()
                ),
            )
        )  # fmt: skip
    return Network(
        name="Northern ring", currency="EUR", now=NOW, sites=sites, machines=tuple(machines),
        alloys=tuple(Alloy(k, n, f, d, 6500, 0.08, 0.004, True, f"{k}-40", c) for k, n, f, d, c in _ALLOYS),
        parameter_sets=tuple(ParameterSet(f"{a[0]}-40", a[0], 0.04, 14, 0.15) for a in _ALLOYS),
        changeovers=(ChangeoverRule("*", "*", 10, 45000),), work_centres=(), outside_services=(),
        carriers=tuple(
            Carrier(k, n, air, time(16), 5000, 70, f, "invented", (Zone(9999, 900, 120, d),))
            for k, n, air, f, d in (("road", "Road parcel", False, 0.12, 3), ("air", "Air express", True, 1.1, 1))
        ),
        packaging=Packaging(0.12, 0.3, 1.4), customs=Customs((("GB", "GB"),), 4500, 1), circuity=(("*", 1.25),),
        coupon=Coupon(10, 60), carbon_cents_per_kg=10, overhang_deg=45, powder_packing=0.55, recoater_min_off_deg=5,
        recoater_long_ratio=3, invented=True,
    )  # fmt: skip


def _turned_box(footprint: Footprint, angle: float) -> tuple[float, float, float, float]:
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    points = [(x * c - y * s, x * s + y * c) for piece in footprint.polygons for x, y in piece[0]]
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    return min(xs), min(ys), max(xs), max(ys)


class _Shelf:
    """Rows of boxes from the lower left, off the rim and the screws."""

    def __init__(self, plate: Plate) -> None:
        self.plate = plate
        self.low = plate.edge_margin_mm + (0.15 * plate.width_mm if plate.round else 0)
        self.high = plate.width_mm - self.low
        self.x = self.y = self.low
        self.row = 0.0

    def place(self, width: float, depth: float) -> tuple[float, float] | None:
        while True:
            if self.x + width > self.high:
                self.x, self.y, self.row = self.low, self.y + self.row + self.plate.spacing_mm, 0.0
            if self.y + depth > self.high or width > self.high - self.low:
                return None
            if not any(
                self.x - z.radius_mm < z.x_mm < self.x + width + z.radius_mm
                and self.y - z.radius_mm < z.y_mm < self.y + depth + z.radius_mm
                for z in self.plate.keep_outs
            ):
                spot = self.x, self.y
                self.x += width + self.plate.spacing_mm
                self.row = max(self.row, depth)
                return spot
            self.x += 4


@dataclass
class _Desk:
    """What the fake planner keeps while it fills plates."""

    network: Network
    parts: dict[str, PartFacts]
    rng: random.Random
    free: dict[str, datetime]
    loaded: dict[str, str | None]


def _staffed(site: Site, at: datetime) -> datetime:
    """First quarter of an hour at which someone is there."""
    zone = ZoneInfo(site.time_zone)
    while True:
        local = at.astimezone(zone)
        if any(local.weekday() in s.weekdays and s.start <= local.time() < s.end for s in site.shifts):
            return at
        at += timedelta(minutes=15)


def _build(desk: _Desk, number: int, machine: Machine, alloy: str, waiting: list[tuple[OrderLine, int]]) -> Build:
    """Fill one plate from the waiting list (consumed) and time it after the machine's last build."""
    shelf = _Shelf(machine.plate)
    pieces: list[PlacedPiece] = []
    built: dict[str, int] = {}
    area = 0.0
    coupons = min(2, max(line.coupons for line, _ in waiting[:6]))
    for _ in range(coupons):
        spot = shelf.place(10, 10)
        assert spot is not None
        pieces.append(PlacedPiece(None, "", spot[0], spot[1], 0))
    while waiting:
        line, left = waiting[0]
        footprint = desk.parts[line.model].orientations[0].footprint
        angle = desk.rng.choice((0, 10, 45, 90))
        x0, y0, x1, y1 = _turned_box(footprint, angle)
        spot = shelf.place(x1 - x0, y1 - y0)
        if spot is None or len(built) > 9:
            break
        pieces.append(PlacedPiece(line.line_id, "a", round(spot[0] - x0, 3), round(spot[1] - y0, 3), angle))
        built[line.line_id] = built.get(line.line_id, 0) + 1
        area += footprint.area_mm2
        waiting[0] = (line, left - 1)
        if left == 1:
            waiting.pop(0)
    lines = {line_id: next(x for x in _book if x.line_id == line_id) for line_id in built}
    height = max([60.0 * bool(coupons), *(desk.parts[x.model].orientations[0].height_mm for x in lines.values())])
    layers = math.ceil(height / 0.04)
    volume = sum(desk.parts[x.model].volume_mm3 * built[k] / 1000 for k, x in lines.items())
    exposure = 3600 * volume / (14 * machine.lasers * 0.9)
    run = timedelta(minutes=math.ceil((90 * 60 + layers * 9 + exposure + 7200) / 60))
    site = desk.network.site[machine.site_id]
    start = max([desk.free[machine.machine_id], *(x.release_at for x in lines.values())])
    change = None
    leaving = desk.loaded[machine.machine_id]
    if leaving and leaving != alloy:
        begin = _staffed(site, start)
        change = Changeover(leaving, alloy, begin, begin + timedelta(hours=10), 145_000)
        start = change.end
    load = _staffed(site, start)
    run_start = load + timedelta(minutes=45)
    run_end = run_start + run
    unload = _staffed(site, run_end)
    end = unload + timedelta(minutes=60)
    desk.free[machine.machine_id], desk.loaded[machine.machine_id] = end, alloy
    hours = run / timedelta(hours=1)
    cost = BuildCost(round(4800 * (hours + 1.75)), 14000, round(volume * 55), round(310 * hours) + 2500,
                     round(hours * 6.5 * 19), 9100)  # fmt: skip
    weights = [desk.parts[lines[k].model].volume_mm3 * built[k] for k in built]
    shares = zip(built, apportion(cost.total_cents, weights), apportion(38_000, weights), strict=True)
    return Build(
        build_id=f"B{number:03d}", machine_id=machine.machine_id, parameter_set_id=f"{alloy}-40", changeover=change,
        load_start=load, run_start=run_start, run_end=run_end, unload_start=unload, unload_end=end,
        pieces=tuple(pieces), height_mm=height, layers=layers, exposure_s=exposure,
        fill=area / (machine.plate.area_mm2 * 0.92), cost=cost, plate_steps_cents=38_000, kwh=hours * 6.5,
        co2e_kg=hours * 6.5 * 0.25, carbon_cents=round(hours * 6.5 * 2.5),
        shares=tuple(LineShare(k, built[k], a, b) for k, a, b in shares),
    )  # fmt: skip


_book: list[OrderLine] = []


def _ship(network: Network, line: OrderLine, site: Site, builds: list[Build], pieces: int, kg: float) -> Shipment:
    ready = max(b.unload_end for b in builds) + timedelta(hours=60 if line.steps else 26)
    dispatch = ready.date() + timedelta(days=1)
    kilometres = (
        111.2
        * 1.25
        * math.hypot(
            site.place.latitude_deg - line.ship_to.latitude_deg,
            (site.place.longitude_deg - line.ship_to.longitude_deg) * 0.64,
        )
    )
    air = kilometres > 1500
    arrive = dispatch + timedelta(days=1 if air else 3)
    late = max(0, (arrive - line.due_date).days)
    co2e = kg / 1000 * kilometres * (1.1 if air else 0.12)
    return Shipment(
        f"S-{line.line_id}", line.line_id, site.site_id, tuple(b.build_id for b in builds), pieces,
        "air" if air else "road", ready, dispatch, arrive, late, kg, math.ceil(2 * kg) / 2, kilometres,
        900 + round(kg * 240), co2e, round(co2e * 10), late * line.late_cents_per_day,
    )  # fmt: skip


def _options(network: Network, line: OrderLine, shipments: list[Shipment], builds: dict[str, Build],
             rng: random.Random, parts: dict[str, PartFacts]) -> LineOptions:  # fmt: skip
    chosen = tuple(s.site_id for s in shipments)
    rows = []
    for site in network.sites:
        own = [s for s in shipments if s.site_id == site.site_id]
        fair = line.quantity * rng.randrange(4_000, 30_000)
        if not own and rng.random() < 0.35:
            rows.append(SiteOption(site.site_id, False, (
                f"no machine lists {line.alloy_id}", "export control code EC-2 not held on the day",
            )[: rng.choice((1, 2))], False, *(None,) * 13))  # fmt: skip
            continue
        machine = builds[own[0].build_ids[0]].machine_id if own else rng.choice(
            [m.machine_id for m in network.machines if m.site_id == site.site_id])  # fmt: skip
        arrive = own[0].arrive_date if own else line.due_date + timedelta(days=rng.randrange(-6, 5))
        joins = own[0].build_ids[0] if own else rng.choice([None, *builds])
        before = rng.uniform(0, 0.4) if joins else 0.0
        rows.append(
            SiteOption(
                site.site_id, True, (), bool(own), fair, fair - rng.randrange(0, fair // 2),
                own[0].ready_at if own else NOW + timedelta(days=rng.randrange(3, 15)), arrive,
                max(0, (arrive - line.due_date).days), rng.uniform(5, 90), rng.uniform(80, 2300),
                own[0].carrier_id if own else "road", machine, "a", joins, before, before + rng.uniform(0.02, 0.3),
            )
        )  # fmt: skip
    names = " and ".join(network.site[s].name for s in chosen) or "no site"
    return LineOptions(line.line_id, chosen, f"{names} costs least delivered in time: its plate was filling already.",
                       tuple(rows))  # fmt: skip


def _kpis(plan: Plan, book: list[OrderLine], factor: float) -> Kpis:
    late = {s.line_id: s.late_days for s in plan.shipments if s.late_days}
    planned = {s.line_id for s in plan.shipments}
    t = plan.totals
    return Kpis(
        t.landed_cents, t.build_cents, t.changeover_cents, t.after_build_cents, t.freight_cents, t.carbon_cents,
        t.lateness_cents, len(planned), len(plan.unplanned), len(late), sum(late.values()),
        1 - len(late) / max(1, len(planned)), len(plan.builds),
        sum(b.fill for b in plan.builds) / max(1, len(plan.builds)),
        sum((b.unload_end - b.load_start) / timedelta(hours=1) for b in plan.builds) * factor, 60.0 * factor,
        sum(s.distance_km for s in plan.shipments) / factor,
        sum(s.distance_km * s.mass_kg / 1000 for s in plan.shipments) / factor,
        sum(b.co2e_kg for b in plan.builds) + sum(s.co2e_kg for s in plan.shipments), 0.61 * factor, 9.4 / factor,
        max((b.unload_end for b in plan.builds), default=None),
    )  # fmt: skip


def make_run(lines: int = 60, seed: int = 7, invented: bool = True, quantity: int = 9) -> tuple[Scenario, Result]:
    """A scenario and its result: ``lines`` order lines, mean quantity about ``quantity``."""
    rng = random.Random(seed)
    network = replace(make_network(rng), invented=invented)
    parts = {f"{rng.choice(_PARTS)} {n:02d}.stl": make_part(rng, n) for n in range(max(8, lines // 4))}
    models = sorted(parts)
    _book.clear()
    for n in range(lines):
        town = rng.choice(_TOWNS)
        alloy = _ALLOYS[rng.randrange(7)][0]
        received = NOW - timedelta(days=rng.randrange(0, 6))
        _book.append(
            OrderLine(
                f"{1000 + n // 2}-{n % 2 + 1}", f"{1000 + n // 2}", f"Customer {chr(65 + n % 26)}", rng.choice(models),
                "mm", alloy, f"{alloy}-40", max(1, round(rng.expovariate(1 / quantity))), Place(*town), received,
                received + timedelta(days=1), (NOW + timedelta(days=rng.randrange(9, 24))).date(),
                (Step.HIP,) if n % 7 == 0 else (), n % 5 == 0, None, (), (), False, False, False, 15_000,
            )
        )  # fmt: skip
    left_out, queue = _book[-2:], _book[:-2]
    desk = _Desk(network, parts, rng, {m.machine_id: m.available_from for m in network.machines},
                 {m.machine_id: m.loaded_alloy_id for m in network.machines})  # fmt: skip
    builds: list[Build] = []
    lots: list[Lot] = []
    shipments: list[Shipment] = []
    for alloy, *_ in _ALLOYS:
        machines = [m for m in network.machines if alloy in m.alloys]
        book = sorted((x for x in queue if x.alloy_id == alloy), key=lambda x: x.due_date)
        groups: dict[str, list[tuple[OrderLine, int]]] = {}
        for n, line in enumerate(book):
            groups.setdefault(machines[(n // 2) % len(machines)].machine_id, []).append((line, line.quantity))
        for machine_id, waiting in groups.items():
            lines_here = [line for line, _ in waiting]
            here: list[Build] = []
            while waiting:
                here.append(_build(desk, len(builds) + len(here) + 1, network.machine[machine_id], alloy, waiting))
            builds += here
            site = network.site[network.machine[machine_id].site_id]
            for line in lines_here:
                on = [b for b in here if any(s.line_id == line.line_id for s in b.shares)]
                for b in on:
                    pieces = next(s.pieces for s in b.shares if s.line_id == line.line_id)
                    lots.append(Lot(line.line_id, b.build_id, pieces, b.unload_end + timedelta(hours=26),
                                    ("hip-1",) if line.steps else (), 900 * pieces + 4000))  # fmt: skip
                kg = line.quantity * parts[line.model].volume_mm3 / 1e6 * network.alloy[alloy].density_g_cm3 + 0.3
                shipments.append(_ship(network, line, site, on, line.quantity, kg))
    totals = Totals(
        sum(b.cost.total_cents for b in builds), sum(b.changeover.cost_cents for b in builds if b.changeover),
        sum(b.plate_steps_cents for b in builds) + sum(lot.cost_cents for lot in lots),
        sum(s.freight_cents for s in shipments), sum(s.carbon_cents for s in shipments),
        sum(s.late_cents for s in shipments),
    )  # fmt: skip
    unplanned = tuple(
        Unplanned(x.line_id, ("orientation height 341.0 mm is more than any machine's 320 mm", "no carrier to it"))
        for x in left_out
    )
    plan = Plan("ab" * 32, "optimizer", seed, NOW, tuple(builds), tuple(lots), tuple(shipments), unplanned, totals)
    habit = replace(
        plan, made_by="today's habit",
        totals=Totals(round(totals.build_cents * 1.22), totals.changeover_cents * 2, totals.after_build_cents,
                      round(totals.freight_cents * 0.93), totals.carbon_cents, totals.lateness_cents * 2),
    )  # fmt: skip
    landed = totals.landed_cents
    trace = tuple(
        TracePoint(0.4 + 0.9 * i**1.6, 100 * i, round(landed * (1 + 0.16 * math.exp(-i / 4)))) for i in range(18)
    )
    by_id = {b.build_id: b for b in builds}
    return (
        Scenario(network, tuple(_book), parts, "ab" * 32),
        Result(
            plan, _kpis(plan, _book, 1.0), habit, _kpis(habit, _book, 1.15), round(landed * 0.93), 0.07, "feasible",
            "work limit of 4000 units", seed, 4000, 97.3, 1, (*trace, TracePoint(97.3, 4000, landed)),
            tuple(_options(network, x, [s for s in shipments if s.line_id == x.line_id], by_id, rng, parts)
                  for x in _book),
            (("platewright", "0.1.0"), ("python", "3.11.7"), ("shapely", "2.2.0")),
        ),
    )  # fmt: skip
