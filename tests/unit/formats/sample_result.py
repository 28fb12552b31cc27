"""A result made by hand for the small scenario: one build, one changeover, one shipment, two options."""

from __future__ import annotations

from datetime import UTC, date, datetime

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


def at(day: int, hour: int, minute: int = 0) -> datetime:
    """A moment of March 2027, UTC."""
    return datetime(2027, 3, day, hour, minute, tzinfo=UTC)


CHANGE = Changeover("in718", "316l", at(1, 11), at(2, 14, 30), 154_000)
BUILD = Build(
    build_id="B1",
    machine_id="M01",
    parameter_set_id="316l-50",
    changeover=CHANGE,
    load_start=at(2, 14, 30),
    run_start=at(2, 15, 15),
    run_end=at(3, 9, 5),
    unload_start=at(3, 11),
    unload_end=at(3, 12),
    pieces=(PlacedPiece("1002-1", "a", 20.1, 30.25, 0.0), PlacedPiece(None, "a", 200.0, 1 / 3, 0.0)),
    height_mm=60.0,
    layers=1200,
    exposure_s=9876.5,
    fill=0.034,
    cost=BuildCost(90_001, 14_000, 3_210, 9_000, 800, 10_150),
    plate_steps_cents=12_345,
    kwh=80.25,
    co2e_kg=36.5,
    carbon_cents=329,
    shares=(LineShare("1002-1", 1, 127_161, 12_345),),
)
SHIPMENT = Shipment(
    *("S1", "1002-1", "OHIO", ("B1",), 1, "parcel", at(5, 2, 30), date(2027, 3, 5), date(2027, 3, 9)),
    *(0, 0.52, 1.0, 459.25, 1_280, 0.087, 1, 0),
)
PLAN = Plan(
    scenario_fingerprint="ab" * 32,
    made_by="optimizer",
    seed=7,
    now=at(1, 11),
    builds=(BUILD,),
    lots=(Lot("1002-1", "B1", 1, at(5, 2, 30), (), 9_900),),
    shipments=(SHIPMENT,),
    unplanned=(Unplanned("1003-1", ("=no machine", "too tall")),),
    totals=Totals(127_161, 154_000, 22_245, 1_280, 330, 0),
)
KPIS = Kpis(
    *(
        305_016,
        127_161,
        154_000,
        22_245,
        1_280,
        330,
        0,
        1,
        1,
        0,
        0,
        1.0,
        1,
        0.034,
        19.58,
        10.0,
        459.25,
        0.24,
        36.6,
        1.0,
    ),
    *(11.5, at(3, 12)),
)
OHIO = SiteOption(
    *("OHIO", True, (), True, 150_000, 140_000, at(5, 2, 30), date(2027, 3, 9), 0, 36.6, 459.25, "parcel", "M01", "a"),
    *("B1", 0.0, 0.034),
)
RHINE = SiteOption(
    *(
        "RHINE",
        False,
        ("=1+1 holds no ITAR", "no carrier"),
        False,
        None,
        None,
        None,
        None,
        None,
        None,
        None,
        None,
        None,
    ),
    *(None, None, None, None),
)
RESULT = Result(
    plan=PLAN,
    kpis=KPIS,
    habit=PLAN,
    habit_kpis=KPIS,
    bound_cents=200_000,
    gap=0.344,
    status="feasible",
    stop_reason="work limit of 100 units",
    seed=7,
    work=100,
    seconds=1.25,
    workers=1,
    trace=(TracePoint(0.1, 1, 400_000), TracePoint(1.0, 80, 305_016)),
    options=(LineOptions("1002-1", ("OHIO",), "Built at OHIO.", (OHIO, RHINE)),),
    versions=(("platewright", "0.1.0"),),
)
