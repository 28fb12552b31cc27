"""A small network, order book and plan made by hand; every figure below was worked out on paper from the rules.

Nothing here comes from the package except its data classes. Where a figure is an expression, the expression is the
hand calculation. Local times: Chicago is UTC-6 until 8 March 2026 and UTC-5 after; Berlin is UTC+1.
"""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, time

import pytest

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
from router.domain.sites import Credential, OutsideService, Pause, Shift, Site, Step, WorkCentre
from router.geometry.facts import Footprint, Orientation, PartFacts

WEEK = (0, 1, 2, 3, 4)
AS_IT_IS = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)
ON_ITS_SIDE = (0.0, 0.0, 1.0, 0.0, 1.0, 0.0, -1.0, 0.0, 0.0)


def utc(day: int, clock: str, month: int = 3) -> datetime:
    """A moment of 2026."""
    hour, minute = clock.split(":")
    return datetime(2026, month, day, int(hour), int(minute), tzinfo=UTC)


# --- parts -------------------------------------------------------------------------------------------------


def rectangle(width: float, depth: float) -> Footprint:
    return Footprint(((((0.0, 0.0), (width, 0.0), (width, depth), (0.0, depth)), ()),), width * depth, width, depth)


def square_ring(side: float, hole: float) -> Footprint:
    low, high = (side - hole) / 2, (side + hole) / 2
    outer = ((0.0, 0.0), (side, 0.0), (side, side), (0.0, side))
    inner = ((low, low), (low, high), (high, high), (high, low))
    return Footprint(((outer, (inner,)),), side**2 - hole**2, side, side)


def facts(volume: float, box: tuple[float, float, float], *orientations: Orientation) -> PartFacts:
    return PartFacts("0" * 64, True, volume, 1.0, box, 12, 1, 0, orientations, ())


PARTS = {
    "block.stl": facts(
        24000.0,
        (40.0, 30.0, 20.0),
        Orientation("a", "as modelled", AS_IT_IS, 20.0, rectangle(40.0, 30.0), 0.0, 0.0),
        Orientation("b", "on its side", ON_ITS_SIDE, 40.0, rectangle(20.0, 30.0), 100.0, 5000.0),
    ),
    "ring.stl": facts(
        64000.0,
        (100.0, 100.0, 10.0),
        Orientation("a", "as modelled", AS_IT_IS, 10.0, square_ring(100.0, 60.0), 0.0, 0.0),
    ),
    "bar.stl": facts(
        36000.0,
        (120.0, 20.0, 15.0),
        Orientation("a", "as modelled", AS_IT_IS, 15.0, rectangle(120.0, 20.0), 50.0, 2000.0),
        Orientation("b", "on its end", ON_ITS_SIDE, 120.0, rectangle(15.0, 20.0), 0.0, 0.0),
    ),
    "tower.stl": facts(
        360000.0,
        (30.0, 30.0, 400.0),
        Orientation("a", "as modelled", AS_IT_IS, 400.0, rectangle(30.0, 30.0), 0.0, 0.0),
        Orientation("b", "lying", ON_ITS_SIDE, 30.0, rectangle(400.0, 30.0), 0.0, 0.0),
    ),
}

# --- network -----------------------------------------------------------------------------------------------

ALLOYS = (
    Alloy("ni718", "Nickel 718", "nickel", 8.2, 8000, 0.1, 0.01, True, "ni40"),
    Alloy("ti64", "Titanium 6-4", "titanium", 4.4, 20000, 0.1, 0.02, True, "ti60", combustible=True),
    Alloy("alsi", "Aluminium", "aluminium", 2.7, 6000, 0.1, 0.01, False, "al30", combustible=True),
)
PARAMETER_SETS = (
    ParameterSet("ni40", "ni718", 0.04, 20.0, 0.2),
    ParameterSet("ni60", "ni718", 0.06, 25.0, 0.2),
    ParameterSet("ti60", "ti64", 0.06, 15.0, 0.25),
    ParameterSet("al30", "alsi", 0.03, 40.0, 0.2),
)
NORTH = Site(
    "north",
    "North works",
    Place("Lakeside", "US", 41.9, -87.6),
    "America/Chicago",
    "US",
    "WI",
    (),
    (Shift(WEEK, time(8), time(16), (Pause(time(12), time(12, 30)),)),),
    4000,
    12,
    0.4,
    (
        Credential("EXP-US", date(2025, 1, 1), date(2027, 12, 31)),
        Credential("AERO", date(2026, 1, 1), date(2026, 12, 31)),
    ),
)
SOUTH = Site(
    "south",
    "South works",
    Place("Berlin", "DE", 52.5, 13.4),
    "Europe/Berlin",
    "DE",
    "BE",
    (date(2026, 3, 20),),
    (Shift(WEEK, time(6), time(14)), Shift(WEEK, time(14), time(22))),
    3600,
    20,
    0.35,
)
MACHINES = (
    Machine(
        "m1",
        "north",
        "mid-size",
        Plate(250.0, 250.0, False, 5.0, 5.0, (KeepOutZone(20.0, 20.0, 10.0),)),
        300.0,
        1,
        1.0,
        10.0,
        60,
        60,
        60,
        30,
        6000,
        1000,
        200,
        4.0,
        5000,
        ("ni718", "ti64"),
        "ni718",
        utc(1, "00:00"),
    ),
    Machine(
        "m2",
        "south",
        "round",
        Plate(200.0, 200.0, True, 5.0, 4.0),
        200.0,
        2,
        0.9,
        8.0,
        45,
        90,
        40,
        20,
        7000,
        800,
        150,
        5.0,
        4000,
        ("ti64", "alsi"),
        "ti64",
        utc(2, "12:30"),
    ),
    Machine(
        "m3",
        "south",
        "wide",
        Plate(300.0, 200.0, False, 4.0, 3.0),
        250.0,
        1,
        1.0,
        9.0,
        30,
        30,
        30,
        15,
        5100,
        500,
        100,
        3.0,
        3000,
        ("alsi", "ni718"),
        None,
        utc(3, "05:00"),
        (Maintenance(utc(3, "14:00"), utc(3, "16:00"), "filter"),),
    ),
)


def centre(
    site: str,
    step: Step,
    rate: int,
    fixed: int,
    *,
    plate: float = 0.0,
    lot: float = 0.0,
    piece: float = 0.0,
    support: float = 0.0,
    attended: bool = True,
) -> WorkCentre:
    return WorkCentre(site, step, attended, plate, lot, piece, support, rate, fixed)


NETWORK = Network(
    name="two works",
    currency="USD",
    now=utc(2, "12:00"),
    sites=(NORTH, SOUTH),
    machines=MACHINES,
    alloys=ALLOYS,
    parameter_sets=PARAMETER_SETS,
    changeovers=(
        ChangeoverRule("nickel", "ti64", None),
        ChangeoverRule("titanium", "aluminium", 6.0, 30000),
        ChangeoverRule("*", "*", 8.0, 50000),
    ),
    work_centres=(
        centre("north", Step.POWDER_REMOVAL, 500, 0, plate=30),
        centre("north", Step.STRESS_RELIEF, 1200, 1000, plate=240, attended=False),
        centre("north", Step.PLATE_REMOVAL, 1500, 700, plate=60),
        centre("north", Step.SUPPORT_REMOVAL, 1000, 500, lot=10, piece=5, support=2),
        centre("north", Step.INSPECTION, 2000, 0, lot=30, piece=10),
        centre("north", Step.PACKING, 0, 300, lot=15, piece=1),
        centre("south", Step.POWDER_REMOVAL, 800, 100, plate=20),
        centre("south", Step.STRESS_RELIEF, 900, 500, plate=180, attended=False),
        centre("south", Step.SUPPORT_REMOVAL, 1100, 200, lot=12, piece=6, support=3),
        centre("south", Step.INSPECTION, 1500, 0, lot=20, piece=7.5),
        centre("south", Step.PACKING, 0, 150, lot=10, piece=2),
    ),
    outside_services=(
        OutsideService("press", "Press", Step.HIP, (), (1, 3), time(10), 3, time(15), 20000, 1000,
                       (Credential("EXP-US"),)),
        OutsideService("press-cheap", "Cheap", Step.HIP, (), (0, 1, 2, 3, 4), time(10), 1, time(15), 10000, 1000),
        OutsideService("wire", "Wire", Step.PLATE_REMOVAL, ("south",), WEEK, time(9), 1, time(12), 4000, 500),
        OutsideService("wire-dear", "Dear", Step.PLATE_REMOVAL, ("south",), WEEK, time(9), 1, time(11), 4000, 600),
    ),
    carriers=(
        Carrier("road", "Road", False, time(15), 5000.0, 500.0, 0.1, "invented",
                (Zone(500.0, 1500, 40, 1), Zone(3000.0, 2500, 60, 3))),
        Carrier("air", "Air", True, time(12), 5000.0, 100.0, 0.6, "invented",
                (Zone(1000.0, 4000, 200, 1), Zone(10000.0, 6000, 350, 2))),
    ),
    packaging=Packaging(0.1, 0.5, 2.0),
    customs=Customs((("DE", "EU"), ("FR", "EU")), 4500, 1),
    circuity=(("US", 1.2), ("DE", 1.3), ("*", 1.4)),
    coupon=Coupon(10.0, 50.0),
    carbon_cents_per_kg=10.0,
    overhang_deg=45.0,
    powder_packing=0.55,
    recoater_min_off_deg=15.0,
    recoater_long_ratio=3.0,
    invented=True,
)  # fmt: skip


# --- order book --------------------------------------------------------------------------------------------


LONG_RELEASED = utc(1, "12:00")


def order(
    line_id: str,
    model: str,
    alloy: str,
    params: str,
    quantity: int,
    to: Place,
    due: date,
    late_cents: int,
    *,
    steps: tuple[Step, ...] = (),
    coupons: int = 0,
    export: str | None = None,
    accreditations: tuple[str, ...] = (),
    own_plate: bool = False,
    split: bool = False,
    as_modelled: bool = False,
    release: datetime = LONG_RELEASED,
) -> OrderLine:
    return OrderLine(
        line_id, f"order of {line_id}", "A customer", model, "mm", alloy, params, quantity, to, utc(1, "08:00"),
        release, due, steps, coupons, export, accreditations, (), own_plate, split, as_modelled, late_cents,
    )  # fmt: skip


DENVER = Place("Denver", "US", 39.74, -104.99)
HAMBURG = Place("Hamburg", "DE", 53.55, 9.99)
MUNICH = Place("Munich", "DE", 48.14, 11.58)
PARIS = Place("Paris", "FR", 48.85, 2.35)

LINES = (
    order("L1", "block.stl", "ni718", "ni40", 3, DENVER, date(2026, 3, 13), 500, steps=(Step.HIP,), coupons=2,
          export="EXP-US", accreditations=("AERO",)),
    order("L2", "ring.stl", "ni718", "ni40", 1, HAMBURG, date(2026, 3, 9), 500),
    order("L3", "bar.stl", "ti64", "ti60", 2, MUNICH, date(2026, 3, 10), 300, own_plate=True, as_modelled=True,
          release=utc(2, "12:45")),
    order("L4", "block.stl", "alsi", "al30", 4, PARIS, date(2026, 3, 9), 400),
    order("L5", "tower.stl", "alsi", "al30", 1, PARIS, date(2026, 3, 30), 400),
)  # fmt: skip

# --- builds ------------------------------------------------------------------------------------------------

# b1 on m1: 3 blocks on their side (25.0 cm3 melted each), 1 ring (64.0), 2 coupons (5.0 each); tallest is a coupon.
B1_RUN_S = 60 * 60 + 1250 * 10.0 + 26820.0 + 60 * 60
B1_H = B1_RUN_S / 3600
# Load 08:00-09:00, run 776 min to 21:56, unload next day 08:00-08:30.
B1 = Build(
    build_id="b1",
    machine_id="m1",
    parameter_set_id="ni40",
    changeover=None,
    load_start=utc(2, "14:00"),
    run_start=utc(2, "15:00"),
    run_end=utc(3, "03:56"),
    unload_start=utc(3, "14:00"),
    unload_end=utc(3, "14:30"),
    pieces=(
        PlacedPiece("L1", "b", 140.0, 135.0, 0.0),
        PlacedPiece("L1", "b", 40.0, 40.0, 0.0),
        PlacedPiece("L1", "b", 80.0, 100.0, 90.0),
        PlacedPiece("L2", "a", 100.0, 100.0, 0.0),
        PlacedPiece(None, "a", 220.0, 20.0, 0.0),
        PlacedPiece(None, "a", 220.0, 40.0, 0.0),
    ),
    height_mm=50.0,
    layers=1250,
    exposure_s=3600 * 149.0 / 20,
    fill=8400 / (240 * 240),
    # 6000 x (12.9222 + 1.5); 8000 x (1.2218 x 1.1 + 14.09375 x 0.01); 1000 + 200 x 12.9222; 51.6889 x 12; 4000 x 1.5
    cost=BuildCost(86533, 5000, 11879, 3584, 620, 6000),
    plate_steps_cents=2250 + 5800 + 6200,
    kwh=4 * B1_H,
    co2e_kg=4 * B1_H * 0.4,
    carbon_cents=207,
    # The ring reaches 250 of 1250 layers and bears 6400/8400 of set-up and of the lowest slice, the coupons are L1's:
    # 24611.84 + 6400/8400 x (33494.616 + 0.2 x 22821.944) = 53609.18
    shares=(LineShare("L1", 3, 60007, 3393), LineShare("L2", 1, 53609, 10857)),
)

# b2 on m2: 2 bars (36.5 cm3 each) at 27 cm3/h; local 13:50 load, 14:30 run for 331 min, 20:01 unload to 20:21.
B2_RUN_S = 60 * 45 + 250 * 8.0 + 3600 * 73.0 / 27 + 60 * 90
B2_H = B2_RUN_S / 3600
B2 = Build(
    build_id="b2",
    machine_id="m2",
    parameter_set_id="ti60",
    changeover=None,
    load_start=utc(2, "12:50"),
    run_start=utc(2, "13:30"),
    run_end=utc(2, "19:01"),
    unload_start=utc(2, "19:01"),
    unload_end=utc(2, "19:21"),
    pieces=(PlacedPiece("L3", "a", 95.0, 40.0, 90.0), PlacedPiece("L3", "a", 125.0, 40.0, 90.0)),
    height_mm=15.0,
    layers=250,
    exposure_s=3600 * 73.0 / 27,
    fill=4800 / (math.pi * 95**2),
    # 7000 x 6.50926; 20000 x (0.3212 x 1.1 + 1.14040 x 0.02); 800 + 150 x 5.50926; 27.5463 x 20
    cost=BuildCost(45565, 4000, 7523, 1626, 551, 3600),
    plate_steps_cents=1567 + 3200 + 4161,
    kwh=5 * B2_H,
    co2e_kg=5 * B2_H * 0.35,
    carbon_cents=96,
    shares=(LineShare("L3", 2, 62865, 8928),),
)

# b3 on m2: changeover 6 h from 20:21 (99 min, then from 06:00 on), load 10:21, run 11:01 for 264 min, unload 15:25.
B3_H = (60 * 45 + 667 * 8.0 + 2400.0 + 60 * 90) / 3600
B3 = Build(
    build_id="b3",
    machine_id="m2",
    parameter_set_id="al30",
    changeover=Changeover("ti64", "alsi", utc(2, "19:21"), utc(3, "09:21"), 6 * (7000 + 3600) + 30000),
    load_start=utc(3, "09:21"),
    run_start=utc(3, "10:01"),
    run_end=utc(3, "14:25"),
    unload_start=utc(3, "14:25"),
    unload_end=utc(3, "14:45"),
    pieces=(PlacedPiece("L4", "a", 60.0, 60.0, 0.0), PlacedPiece("L4", "a", 60.0, 100.0, 0.0)),
    height_mm=20.0,
    layers=667,
    exposure_s=2400.0,
    fill=2400 / (math.pi * 95**2),
    # 7000 x 5.39889; 6000 x (0.1296 x 1.1 + 0.93352 x 0.01); 800 + 150 x 4.39889; 21.9944 x 20
    cost=BuildCost(37792, 4000, 911, 1460, 440, 3600),
    plate_steps_cents=1567 + 4065,
    kwh=5 * B3_H,
    co2e_kg=5 * B3_H * 0.35,
    carbon_cents=77,
    shares=(LineShare("L4", 2, 48203, 5632),),
)

# b4 on m3, nothing loaded: local 06:00 load, 06:30 run for 233 min, 10:23 unload to 10:38.
B4_H = (60 * 30 + 667 * 9.0 + 4320.0 + 60 * 30) / 3600
B4 = Build(
    build_id="b4",
    machine_id="m3",
    parameter_set_id="al30",
    changeover=None,
    load_start=utc(3, "05:00"),
    run_start=utc(3, "05:30"),
    run_end=utc(3, "09:23"),
    unload_start=utc(3, "09:23"),
    unload_end=utc(3, "09:38"),
    pieces=(PlacedPiece("L4", "a", 20.0, 20.0, 0.0), PlacedPiece("L4", "a", 20.0, 60.0, 0.0)),
    height_mm=20.0,
    layers=667,
    exposure_s=4320.0,
    fill=2400 / (292 * 192),
    # 5100 x 4.6175; 6000 x (0.1296 x 1.1 + 1.782891 x 0.01); 500 + 100 x 3.8675; 11.6025 x 20; 3600 x 0.75
    cost=BuildCost(23549, 3000, 962, 887, 232, 2700),
    plate_steps_cents=1567 + 4065,
    kwh=3 * B4_H,
    co2e_kg=3 * B4_H * 0.35,
    carbon_cents=41,
    shares=(LineShare("L4", 2, 31330, 5632),),
)

# --- lots --------------------------------------------------------------------------------------------------

LOTS = (
    # b1 unloaded Tue 08:30, powder 09:00, furnace 13:00, sawn off 14:00. Support removal 55 min to 14:55; collected on
    # Thursday, back Tuesday the 10th 15:00; inspection to 16:00; packing 18 min on Wednesday from 08:00 (UTC-5).
    Lot("L1", "b1", 3, utc(11, "13:18"), ("press",), 5083 + 20590 + 6000 + 1500),
    # 15 min, 40 min, 16 min after 14:00.
    Lot("L2", "b1", 1, utc(3, "21:11"), (), 1750 + 4000 + 1367),
    # b2 unloaded Mon 20:21, powder 20:41, furnace 23:41, wire cut: collected Tue, back Wed 12:00; 36 + 35 + 14 min.
    Lot("L3", "b2", 2, utc(4, "12:25"), (), 3020 + 2975 + 990),
    # Powder Tue 16:05 and 10:58, both after the pick-up; wire cut collected Wed, back Thu 12:00; 24 + 35 + 14 min.
    Lot("L4", "b3", 2, utc(5, "12:13"), (), 2080 + 2975 + 990),
    Lot("L4", "b4", 2, utc(5, "12:13"), (), 2080 + 2975 + 990),
)

# --- shipments ---------------------------------------------------------------------------------------------

# Geodesics on WGS84 in km, from GeographicLib's inverse problem.
DENVER_KM = 1483.8993877409
HAMBURG_KM = 6845.9241930652
MUNICH_KM = 501.9632417951
PARIS_KM = 879.0353878126


def shipment(
    number: int,
    line_id: str,
    site: str,
    builds: tuple[str, ...],
    pieces: int,
    carrier: str,
    ready: datetime,
    dispatch: int,
    arrive: int,
    late: int,
    mass: float,
    chargeable: float,
    km: float,
    freight: int,
    factor: float,
    late_cents: int,
) -> Shipment:
    co2e = mass / 1000 * km * factor
    return Shipment(
        f"s{number}", line_id, site, builds, pieces, carrier, ready, date(2026, 3, dispatch), date(2026, 3, arrive),
        late, mass, chargeable, km, freight, co2e, round(10 * co2e), late_cents,
    )  # fmt: skip


SHIPMENTS = (
    shipment(1, "L1", "north", ("b1",), 3, "road", utc(11, "13:18"), 11, 16, 3, 0.5904 * 1.1 + 0.5, 1.5,
             DENVER_KM * 1.2, 2500 + 90, 0.1, 1500),
    shipment(2, "L2", "north", ("b1",), 1, "air", utc(3, "21:11"), 4, 9, 0, 0.5248 * 1.1 + 0.5, 1.5,
             HAMBURG_KM + 95, 6000 + 525 + 4500, 0.6, 0),
    shipment(3, "L3", "south", ("b2",), 2, "road", utc(4, "12:25"), 4, 9, 0, 0.3168 * 1.1 + 0.5, 1.0,
             MUNICH_KM * 1.3, 2500 + 60, 0.1, 0),
    shipment(4, "L4", "south", ("b3", "b4"), 4, "road", utc(5, "12:13"), 5, 10, 1, 0.2592 * 1.1 + 0.5, 1.0,
             PARIS_KM * 1.4, 2500 + 60, 0.1, 400),
)  # fmt: skip

SCENARIO = Scenario(NETWORK, LINES, PARTS, "f" * 64)

PLAN = Plan(
    scenario_fingerprint="f" * 64,
    made_by="hand",
    seed=0,
    now=utc(2, "12:00"),
    builds=(B1, B2, B3, B4),
    lots=LOTS,
    shipments=SHIPMENTS,
    unplanned=(Unplanned("L5", ("taller than every machine and longer than every plate",)),),
    totals=Totals(
        build_cents=113616 + 62865 + 48203 + 31330,
        changeover_cents=93600,
        after_build_cents=14250 + 8928 + 5632 + 5632 + 33173 + 7117 + 6985 + 6045 + 6045,
        freight_cents=2590 + 11025 + 2560 + 2560,
        carbon_cents=207 + 96 + 77 + 41 + 2 + 45 + 1 + 1,
        lateness_cents=1500 + 400,
    ),
)


@pytest.fixture(scope="session")
def scenario() -> Scenario:
    """Two works, three machines, five order lines."""
    return SCENARIO


@pytest.fixture(scope="session")
def plan() -> Plan:
    """A plan of it without fault."""
    return PLAN
