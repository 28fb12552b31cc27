"""A made-up scenario of any size for planner tests: simple footprints, two time zones, uneven alloys. No files."""

from __future__ import annotations

import random
from datetime import UTC, date, datetime, time, timedelta

from router.domain.alloys import Alloy, ParameterSet
from router.domain.carriers import Carrier, Customs, Packaging, Zone
from router.domain.machines import ChangeoverRule, KeepOutZone, Machine, Maintenance, Plate
from router.domain.network import Coupon, Network, Scenario
from router.domain.orders import OrderLine
from router.domain.places import Place
from router.domain.sites import Credential, OutsideService, Pause, Shift, Site, Step, WorkCentre
from router.geometry import Footprint, Orientation, PartFacts

NOW = datetime(2026, 3, 23, 5, 0, tzinfo=UTC)
_IDENTITY = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)


def box_footprint(width: float, depth: float, hole: float = 0.0) -> Footprint:
    """A rectangle, with a centred square hole when asked."""
    outer = ((0.0, 0.0), (width, 0.0), (width, depth), (0.0, depth))
    holes: tuple[tuple[tuple[float, float], ...], ...] = ()
    if hole:
        x, y = (width - hole) / 2, (depth - hole) / 2
        holes = (((x, y), (x, y + hole), (x + hole, y + hole), (x + hole, y)),)
    return Footprint(polygons=((outer, holes),), area_mm2=width * depth - hole * hole, width_mm=width, depth_mm=depth)


def box_part(name: str, x: float, y: float, z: float, hole: float = 0.0) -> PartFacts:
    """Facts of a box in three orientations."""

    def stand(key: str, label: str, a: float, b: float, height: float, cut: float) -> Orientation:
        return Orientation(
            key=key,
            name=label,
            matrix=_IDENTITY,
            height_mm=height,
            footprint=box_footprint(a, b, cut),
            overhang_area_mm2=0.05 * a * b,
            support_volume_mm3=0.02 * a * b * height,
        )

    volume = (x * y - hole * hole) * z
    return PartFacts(
        content_hash=name,
        closed=True,
        volume_mm3=volume * 0.4,
        area_mm2=2 * (x * y + y * z + x * z),
        bbox_mm=(x, y, z),
        triangles=12,
        body_count=1,
        closed_hollows=0,
        orientations=(
            stand("a", "as modelled", x, y, z, hole),
            stand("b", "on edge", x, z, y, 0.0),
            stand("c", "on end", y, z, x, 0.0),
        ),
        notes=(),
    )


def _site(number: int, name: str, country: str, zone: str, lat: float, lon: float, night: bool) -> Site:
    shifts = [Shift((0, 1, 2, 3, 4), time(6), time(14), (Pause(time(10), time(10, 30)),))]
    if night:
        shifts.append(Shift((0, 1, 2, 3, 4), time(22), time(6)))
    return Site(
        site_id=f"S{number}",
        name=name,
        place=Place(name, country, lat, lon),
        time_zone=zone,
        holiday_country=country,
        holiday_subdivision=None,
        closures=(),
        shifts=tuple(shifts),
        labour_cents_per_h=4200 + 300 * number,
        energy_cents_per_kwh=22,
        grid_kg_co2e_per_kwh=0.3,
        credentials=(Credential("EN 9100", None, date(2026, 4, 20)),) if number != 2 else (),
    )


SITES = (
    _site(1, "Northford", "DE", "Europe/Berlin", 52.5, 13.4, True),
    _site(2, "Westhaven", "PT", "Europe/Lisbon", 41.15, -8.6, False),
    _site(3, "Eastwick", "PL", "Europe/Warsaw", 50.06, 19.94, True),
)
_ALLOYS = (("NI", "nickel", 8.2, 7000), ("TI", "titanium", 4.42, 16000), ("SS", "steel", 7.9, 3500))


def _machine(number: int, site: str, alloys: tuple[str, ...], size: float, loaded: str) -> Machine:
    stop = Maintenance(NOW + timedelta(days=3), NOW + timedelta(days=3, hours=10), "yearly service")
    return Machine(
        machine_id=f"M{number}",
        site_id=site,
        model="invented",
        plate=Plate(size, size, False, 5.0, 2.0, (KeepOutZone(12, 12, 6),)),
        height_mm=280 if size > 200 else 180,
        lasers=2 if number % 2 else 1,
        laser_efficiency=0.85,
        recoat_s=9.0,
        setup_min=70,
        cooldown_min=120,
        load_min=40,
        unload_min=50,
        rate_cents_per_h=4500 + 100 * number,
        purge_cents=1800,
        gas_cents_per_h=250,
        power_kw=3.5,
        plate_cents=6000,
        alloys=alloys,
        loaded_alloy_id=loaded,
        available_from=NOW + timedelta(hours=3 * number),
        maintenance=(stop,) if number == 1 else (),
    )


def _centres(site: str) -> list[WorkCentre]:
    made = []
    for step in Step:
        if step is Step.HIP or (step is Step.CT_INSPECTION and site == "S2"):
            continue
        furnace = step in (Step.STRESS_RELIEF, Step.HEAT_TREATMENT)
        made.append(
            WorkCentre(
                site_id=site,
                step=step,
                attended=not furnace,
                plate_min=300.0 if furnace else 40.0,
                lot_min=480.0 if step is Step.HEAT_TREATMENT else 15.0,
                piece_min=0.0 if furnace else 2.5,
                min_per_support_cm3=1.5 if step is Step.SUPPORT_REMOVAL else 0.0,
                rate_cents_per_h=2500,
                fixed_cents=1500 if furnace else 100,
            )
        )
    return made


def toy_network() -> Network:
    """Three sites, six machines, three alloys; titanium machines stay with titanium."""
    return Network(
        name="Toy network",
        currency="EUR",
        now=NOW,
        sites=SITES,
        machines=(
            _machine(1, "S1", ("NI", "SS"), 241, "NI"),
            _machine(2, "S1", ("TI",), 241, "TI"),
            _machine(3, "S2", ("NI", "SS", "TI"), 160, "SS"),
            _machine(4, "S2", ("SS",), 241, "SS"),
            _machine(5, "S3", ("NI", "TI"), 241, "TI"),
            _machine(6, "S3", ("NI", "SS"), 160, "NI"),
        ),
        alloys=tuple(
            Alloy(i, i, family, density, price, 0.08, 0.01, i != "SS", f"{i}-40", i == "TI")
            for i, family, density, price in _ALLOYS
        ),
        parameter_sets=tuple(ParameterSet(f"{i}-40", i, 0.04, 14.0, 0.15) for i, *_ in _ALLOYS),
        changeovers=(
            ChangeoverRule("titanium", "*", None),
            ChangeoverRule("*", "titanium", 16.0, 40000),
            ChangeoverRule("*", "*", 9.0, 25000),
        ),
        work_centres=tuple(w for s in SITES for w in _centres(s.site_id)),
        outside_services=(
            OutsideService("HIP1", "pressure house", Step.HIP, (), (1, 3), time(11), 4, time(9), 30000, 900),
            OutsideService(
                "CT1", "x-ray house", Step.CT_INSPECTION, ("S2",), (0, 2, 4), time(12), 2, time(10), 9000, 0
            ),
        ),
        carriers=(
            Carrier(
                "parcel",
                "parcel",
                False,
                time(16),
                5000,
                60,
                0.6,
                "assumed for tests",
                (Zone(300, 800, 60, 1), Zone(1500, 1400, 110, 2), Zone(4000, 2200, 170, 4)),
            ),
            Carrier(
                "express",
                "express by air",
                True,
                time(15),
                5000,
                60,
                1.3,
                "assumed for tests",
                (Zone(5000, 4500, 420, 1),),
            ),
            Carrier(
                "pallet",
                "pallet freight",
                False,
                time(12),
                4000,
                1500,
                0.1,
                "assumed for tests",
                (Zone(5000, 9000, 25, 5),),
            ),
        ),
        packaging=Packaging(0.08, 0.3, 1.4),
        customs=Customs(tuple((c, "EU") for c in ("DE", "PT", "PL", "FR", "IT")), 6000, 2),
        circuity=(("DE", 1.32), ("PL", 1.21), ("*", 1.46)),
        coupon=Coupon(12.0, 60.0),
        carbon_cents_per_kg=9.0,
        overhang_deg=45.0,
        powder_packing=0.55,
        recoater_min_off_deg=10.0,
        recoater_long_ratio=3.0,
        invented=True,
    )


PLACES = (
    Place("Hamburg", "DE", 53.55, 9.99),
    Place("Lyon", "FR", 45.76, 4.84),
    Place("Porto", "PT", 41.15, -8.61),
    Place("Gdansk", "PL", 54.35, 18.65),
    Place("Torino", "IT", 45.07, 7.69),
)


def toy_scenario(lines: int, seed: int = 0, largest: int = 12) -> Scenario:
    """A scenario of so many lines; equal arguments give equal scenarios."""
    rng = random.Random(seed)
    network = toy_network()
    parts = {
        f"part-{k}.stl": box_part(
            f"part-{k}",
            rng.uniform(12, 90),
            rng.uniform(10, 60),
            rng.uniform(8, 120),
            rng.choice((0.0, 0.0, 8.0)),
        )
        for k in range(12)
    }
    book = []
    for number in range(lines):
        received = NOW - timedelta(hours=rng.randrange(1, 600))
        alloy = rng.choice(("NI", "TI", "SS"))
        steps = tuple(s for s in (Step.HIP, Step.HEAT_TREATMENT, Step.MACHINING) if rng.random() < 0.25)
        book.append(
            OrderLine(
                line_id=f"L{number:04d}",
                order_id=f"O{number // 2:04d}",
                customer=f"customer {number % 7}",
                model=f"part-{rng.randrange(12)}.stl",
                unit="mm",
                alloy_id=alloy,
                parameter_set_id=f"{alloy}-40",
                quantity=rng.choice((1, 1, 2, 3, 5, 8, largest)),
                ship_to=rng.choice(PLACES),
                received_at=received,
                release_at=received + timedelta(hours=rng.choice((24, 48, 640))),
                due_date=(NOW + timedelta(days=rng.randrange(6, 30))).date(),
                steps=steps,
                coupons=rng.choice((0, 0, 0, 0, 2)),
                export_control=None,
                accreditations=("EN 9100",) if rng.random() < 0.1 else (),
                approved_sites=("S1", "S3") if rng.random() < 0.05 else (),
                own_plate=rng.random() < 0.04,
                may_split_sites=rng.random() < 0.1,
                as_modelled=rng.random() < 0.05,
                late_cents_per_day=rng.choice((1500, 4000, 12000)),
            )
        )
    return Scenario(network, tuple(book), parts, f"toy-{lines}-{seed}")
