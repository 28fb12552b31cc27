"""A small invented network to try single rules on. Every figure is made up and round."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time
from typing import Any

from router.domain.alloys import Alloy, ParameterSet
from router.domain.carriers import Carrier, Customs, Packaging, Zone
from router.domain.machines import ChangeoverRule, Machine, Plate
from router.domain.network import Coupon, Network
from router.domain.orders import OrderLine
from router.domain.places import Place
from router.domain.sites import Credential, OutsideService, Pause, Shift, Site, Step, WorkCentre

HAMBURG = Place("Hamburg", "DE", 53.55, 9.99)
MUNICH = Place("Munich", "DE", 48.14, 11.58)
LYON = Place("Lyon", "FR", 45.76, 4.84)
COLUMBUS = Place("Columbus", "US", 39.96, -83.0)

WEEK = (0, 1, 2, 3, 4)
DAY_SHIFT = Shift(WEEK, time(6), time(14), (Pause(time(10), time(10, 30)),))

NORTH = Site(
    site_id="north",
    name="North works",
    place=HAMBURG,
    time_zone="Europe/Berlin",
    holiday_country="DE",
    holiday_subdivision="HH",
    closures=(),
    shifts=(DAY_SHIFT,),
    labour_cents_per_h=6000,
    energy_cents_per_kwh=20,
    grid_kg_co2e_per_kwh=0.4,
)
WEST = replace(
    NORTH,
    site_id="west",
    name="West works",
    place=COLUMBUS,
    time_zone="America/New_York",
    holiday_country="US",
    holiday_subdivision="OH",
)

NICKEL = Alloy("718", "nickel 718", "nickel", 8.0, 8000, 0.1, 0.01, True, "718-40")
TITANIUM = Alloy("ti64", "titanium 6-4", "titanium", 4.4, 20000, 0.1, 0.02, False, "ti64-40", combustible=True)
NICKEL_625 = replace(NICKEL, alloy_id="625", name="nickel 625", default_parameter_set_id="625-40")
NICKEL_SET = ParameterSet("718-40", "718", 0.04, 15.0, 0.2)
TITANIUM_SET = ParameterSet("ti64-40", "ti64", 0.04, 20.0, 0.2)

PRESS = Machine(
    machine_id="north-1",
    site_id="north",
    model="mid-size",
    plate=Plate(250.0, 250.0, False, 4.5, 3.0),
    height_mm=300.0,
    lasers=1,
    laser_efficiency=1.0,
    recoat_s=9.0,
    setup_min=60,
    cooldown_min=120,
    load_min=45,
    unload_min=45,
    rate_cents_per_h=4000,
    purge_cents=2500,
    gas_cents_per_h=100,
    power_kw=3.0,
    plate_cents=8000,
    alloys=("718", "625", "ti64"),
    loaded_alloy_id="718",
    available_from=datetime(2026, 3, 2, tzinfo=UTC),
)

CHANGEOVERS = (
    ChangeoverRule("titanium", "*", None),
    ChangeoverRule("718", "625", 4.0, 5000),
    ChangeoverRule("nickel", "nickel", 8.0, 10000),
    ChangeoverRule("*", "titanium", 30.5, 60000),
)


def _centre(step: Step, **changes: Any) -> WorkCentre:
    base = WorkCentre("north", step, True, 60.0, 30.0, 10.0, 0.0, 3000, 500)
    return replace(base, **changes)


CENTRES = (
    _centre(Step.POWDER_REMOVAL),
    _centre(Step.STRESS_RELIEF, attended=False, plate_min=600.0),
    _centre(Step.PLATE_REMOVAL, plate_min=90.5),
    _centre(Step.SUPPORT_REMOVAL, min_per_support_cm3=2.0),
    _centre(Step.INSPECTION),
    _centre(Step.PACKING, lot_min=10.0, piece_min=2.0),
)

HIP_NEAR = OutsideService(
    "hip-near",
    "HIP service, near",
    Step.HIP,
    (),
    (1, 3),
    time(12),
    5,
    time(9),
    40000,
    1000,
    (Credential("EXPORT-1", None, date(2026, 3, 31)),),
)
HIP_FAR = OutsideService(
    "hip-far", "HIP service, far", Step.HIP, (), WEEK, time(15), 8, time(9), 60000, 500, (Credential("EXPORT-1"),)
)

ROAD = Carrier(
    "road",
    "Road freight",
    False,
    time(15),
    5000.0,
    500.0,
    0.1,
    "invented",
    (Zone(300.0, 1500, 40, 1), Zone(1200.0, 2500, 60, 2), Zone(3000.0, 4000, 90, 4)),
)
AIR = Carrier("air", "Air express", True, time(13), 6000.0, 70.0, 1.0, "invented", (Zone(20100.0, 6000, 700, 1),))

NETWORK = Network(
    name="small shop",
    currency="EUR",
    now=datetime(2026, 3, 2, 6, tzinfo=UTC),
    sites=(NORTH, WEST),
    machines=(PRESS, replace(PRESS, machine_id="west-1", site_id="west")),
    alloys=(NICKEL, NICKEL_625, TITANIUM),
    parameter_sets=(NICKEL_SET, TITANIUM_SET),
    changeovers=CHANGEOVERS,
    work_centres=CENTRES,
    outside_services=(HIP_FAR, HIP_NEAR),
    carriers=(ROAD, AIR),
    packaging=Packaging(0.1, 0.5, 1.5),
    customs=Customs((("DE", "EU"), ("FR", "EU")), 4500, 2),
    circuity=(("DE", 1.32), ("US", 1.2), ("*", 1.46)),
    coupon=Coupon(12.0, 80.0),
    carbon_cents_per_kg=10.0,
    overhang_deg=45.0,
    powder_packing=0.6,
    recoater_min_off_deg=5.0,
    recoater_long_ratio=3.0,
    invented=True,
)

LINE = OrderLine(
    line_id="L1",
    order_id="O1",
    customer="Customer A",
    model="bracket.stl",
    unit="mm",
    alloy_id="718",
    parameter_set_id="718-40",
    quantity=10,
    ship_to=MUNICH,
    received_at=datetime(2026, 2, 27, tzinfo=UTC),
    release_at=datetime(2026, 3, 2, tzinfo=UTC),
    due_date=date(2026, 3, 20),
    steps=(),
    coupons=0,
    export_control=None,
    accreditations=(),
    approved_sites=(),
    own_plate=False,
    may_split_sites=False,
    as_modelled=False,
    late_cents_per_day=10000,
)
