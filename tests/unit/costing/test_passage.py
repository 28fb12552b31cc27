from __future__ import annotations

from dataclasses import replace
from datetime import date, time

import pytest
from small_shop import HIP_FAR, HIP_NEAR, LINE, NETWORK, NICKEL, NORTH, TITANIUM

from router.costing import (
    LotWalk,
    PlateWalk,
    choose_outside,
    lot_route,
    lot_steps,
    missing_steps,
    pass_lot,
    pass_plate,
    plate_route,
    plate_steps,
    route,
)
from router.domain.sites import Step
from router.kernel.faults import PlatewrightError
from router.kernel.moments import Minute
from router.worktime import StaffedTime

STAFFED = StaffedTime(NORTH)
HIPPED = replace(LINE, steps=(Step.HIP,))
CONTROLLED = replace(HIPPED, export_control="EXPORT-1")


def at(day: int, hour: int, minute: int = 0, *, month: int = 3) -> Minute:
    return STAFFED.at_local(date(2026, month, day), time(hour, minute))


def test_routes_follow_alloy_and_order() -> None:
    assert route(LINE, NICKEL) == (
        Step.POWDER_REMOVAL,
        Step.STRESS_RELIEF,
        Step.PLATE_REMOVAL,
        Step.SUPPORT_REMOVAL,
        Step.INSPECTION,
        Step.PACKING,
    )
    assert plate_route(TITANIUM) == (Step.POWDER_REMOVAL, Step.PLATE_REMOVAL)
    ordered = replace(LINE, steps=(Step.CT_INSPECTION, Step.HIP))
    assert lot_route(ordered, NICKEL) == (
        Step.SUPPORT_REMOVAL,
        Step.HIP,
        Step.CT_INSPECTION,
        Step.INSPECTION,
        Step.PACKING,
    )
    assert plate_route(NICKEL) + lot_route(ordered, NICKEL) == route(ordered, NICKEL)


def test_cost_of_plate_steps_by_hand() -> None:
    priced = plate_steps(NETWORK, "north", NICKEL, 5.0)
    # attended: 500 + 1 h x (3000 + 6000); furnace: 500 + 10 h x 3000; attended: 500 + 90.5 min x 9000 / 60
    assert [(s.step, s.cost_cents) for s in priced] == [
        (Step.POWDER_REMOVAL, 9500),
        (Step.STRESS_RELIEF, 30_500),
        (Step.PLATE_REMOVAL, 14_075),
    ]
    assert PlateWalk(NETWORK, "north", NICKEL).walk(STAFFED, at(2, 6), 5.0).cost_cents == 54_075


def test_walk_of_a_plate_by_hand() -> None:
    walk = pass_plate(NETWORK, STAFFED, NICKEL, 5.0, at(2, 12, 30))
    assert [(s.start, s.end) for s in walk.steps] == [
        (at(2, 12, 30), at(2, 13, 30)),
        (at(2, 13, 30), at(2, 23, 30)),  # the furnace runs into the night
        (at(3, 6), at(3, 7, 31)),  # 90.5 min rounded up
    ]
    assert walk.ready == at(3, 7, 31)
    assert walk.outside == ()


def test_walk_of_a_lot_by_hand() -> None:
    # 4 pieces with 2.5 cm3 supports: 30 + 4 x (10 + 2 x 2.5) = 90 min; 30 + 40 = 70 min; 10 + 8 = 18 min
    walk = pass_lot(NETWORK, STAFFED, LINE, 4, 0.5, 2.5, at(2, 8))
    assert [(s.step, s.start, s.end, s.cost_cents) for s in walk.steps] == [
        (Step.SUPPORT_REMOVAL, at(2, 8), at(2, 9, 30), 500 + 13_500),
        (Step.INSPECTION, at(2, 9, 30), at(2, 11, 10), 500 + 10_500),
        (Step.PACKING, at(2, 11, 10), at(2, 11, 28), 500 + 2700),
    ]
    assert walk.cost_cents == sum(s.cost_cents for s in lot_steps(NETWORK, "north", LINE, 4, 0.5, 2.5)) == 28_200


def test_outside_step_waits_for_pickup_and_comes_back_after_working_days() -> None:
    # Ready for HIP on Tuesday 3 March at 09:00: collected that day, back five working days later at 09:00.
    walk = pass_lot(NETWORK, STAFFED, HIPPED, 1, 2.0, 10.0, at(3, 8))
    hip = walk.steps[1]
    assert (hip.step, hip.service_id, hip.pickup) == (Step.HIP, "hip-near", date(2026, 3, 3))
    assert (hip.start, hip.end, hip.cost_cents) == (at(3, 9), at(10, 9), 42_000)
    assert walk.outside == ("hip-near",)
    # A minute past the pick-up time it waits for Thursday.
    later = pass_lot(NETWORK, STAFFED, HIPPED, 1, 2.0, 10.0, at(3, 11, 1)).steps[1]
    assert (later.start, later.pickup, later.end) == (at(3, 12, 1), date(2026, 3, 5), at(12, 9))


def test_the_cheaper_service_depends_on_the_mass() -> None:
    # near 400 + 10 a kg, far 600 + 5 a kg: equal at 40 kg, and the tie goes to hip-far by its id
    assert choose_outside(NETWORK, "north", Step.HIP, 39.9) is HIP_NEAR
    assert choose_outside(NETWORK, "north", Step.HIP, 40.0) is HIP_FAR
    assert choose_outside(NETWORK, "north", Step.HIP, 41.0) is HIP_FAR
    for pieces, service in ((1, "hip-near"), (20, "hip-far"), (30, "hip-far")):
        assert pass_lot(NETWORK, STAFFED, HIPPED, pieces, 2.0, 0.0, at(3, 8)).outside == (service,)


def test_equal_offers_go_to_the_first_id_however_they_are_listed() -> None:
    turned = replace(NETWORK, outside_services=(HIP_NEAR, HIP_FAR))
    assert choose_outside(turned, "north", Step.HIP, 40.0) is HIP_FAR
    assert pass_lot(turned, STAFFED, HIPPED, 20, 2.0, 0.0, at(3, 8)).outside == ("hip-far",)


def test_nothing_is_back_before_it_left() -> None:
    at_once = replace(NETWORK, outside_services=(replace(HIP_NEAR, lead_working_days=0),))
    hip = pass_lot(at_once, STAFFED, HIPPED, 1, 2.0, 10.0, at(3, 9)).steps[1]
    assert (hip.start, hip.end) == (at(3, 10), at(3, 10))  # returned at 09:00, ready for it at 10:00


def test_an_export_code_must_be_held_on_the_day_of_pickup() -> None:
    # hip-near holds the code up to 31 March, a Tuesday.
    assert pass_lot(NETWORK, STAFFED, CONTROLLED, 1, 2.0, 10.0, at(31, 8)).outside == ("hip-near",)
    assert pass_lot(NETWORK, STAFFED, CONTROLLED, 1, 2.0, 10.0, at(31, 12)).outside == ("hip-far",)
    lapsed = replace(NETWORK, outside_services=(HIP_NEAR,))
    with pytest.raises(PlatewrightError, match=r"north: nobody does hip.*EXPORT-1"):
        pass_lot(lapsed, STAFFED, CONTROLLED, 1, 2.0, 10.0, at(31, 12))


def test_services_without_the_code_are_left_out() -> None:
    bare = replace(NETWORK, outside_services=(replace(HIP_NEAR, credentials=()), HIP_FAR))
    assert pass_lot(bare, STAFFED, CONTROLLED, 1, 2.0, 10.0, at(3, 8)).outside == ("hip-far",)
    assert pass_lot(bare, STAFFED, HIPPED, 1, 2.0, 10.0, at(3, 8)).outside == ("hip-near",)


def test_an_own_centre_goes_before_any_service() -> None:
    furnace = replace(NETWORK.work_centres[1], step=Step.HIP, lot_min=480.0, rate_cents_per_h=900_000)
    own = replace(NETWORK, work_centres=(*NETWORK.work_centres, furnace))
    assert pass_lot(own, STAFFED, HIPPED, 1, 2.0, 10.0, at(3, 8)).outside == ()


def test_a_plate_step_bought_outside_is_priced_by_the_melted_mass() -> None:
    relief = replace(HIP_NEAR, service_id="relief", step=Step.STRESS_RELIEF)
    centres = tuple(c for c in NETWORK.work_centres if c.step is not Step.STRESS_RELIEF)
    net = replace(NETWORK, work_centres=centres, outside_services=(relief,))
    walk = pass_plate(net, STAFFED, NICKEL, 5.0, at(3, 8))
    assert (walk.steps[1].service_id, walk.steps[1].cost_cents, walk.steps[1].end) == ("relief", 45_000, at(10, 9))
    assert walk.outside == ("relief",)
    assert walk.cost_cents == sum(s.cost_cents for s in plate_steps(net, "north", NICKEL, 5.0))
    assert pass_plate(net, STAFFED, NICKEL, 6.0, at(3, 8)).steps[1].cost_cents == 46_000


def test_steps_nobody_does_are_named() -> None:
    assert missing_steps(NETWORK, "north", route(HIPPED, NICKEL)) == ()
    assert missing_steps(NETWORK, "west", (Step.HIP, Step.PACKING)) == (Step.PACKING,)
    assert missing_steps(NETWORK, "north", (Step.HIP,), "EXPORT-2") == (Step.HIP,)
    with pytest.raises(PlatewrightError, match="west: nobody does powder_removal"):
        PlateWalk(NETWORK, "west", NICKEL)
    with pytest.raises(PlatewrightError, match="west: nobody does powder_removal"):
        plate_steps(NETWORK, "west", NICKEL, 1.0)


def test_quick_walks_agree_with_whole_ones() -> None:
    lots, plates = LotWalk(NETWORK, "north", HIPPED, 2.0, 10.0), PlateWalk(NETWORK, "north", NICKEL)
    for t in range(at(2, 0), at(12, 0), 77):
        lot, plate = lots.walk(STAFFED, t, 3), plates.walk(STAFFED, t, 3.0)
        assert lots.ready_and_cents(STAFFED, t, 3) == (lot.ready, lot.cost_cents)
        assert plates.ready_and_cents(STAFFED, t, 3.0) == (plate.ready, plate.cost_cents)
