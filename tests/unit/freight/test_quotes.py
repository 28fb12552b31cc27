from __future__ import annotations

from dataclasses import replace
from datetime import date, time

import pytest
from small_shop import AIR, COLUMBUS, HAMBURG, LYON, MUNICH, NETWORK, NORTH, ROAD, WEST

from router.freight import (
    arrival_date,
    chargeable_kg,
    circuity,
    dispatch_and_arrival,
    freight_desk,
    half_kg_up,
    lane,
    late_days,
    quotes,
    refusals,
    shipped_mass_kg,
)
from router.kernel.faults import PlatewrightError
from router.worktime import StaffedTime


def test_lane_within_a_country_takes_its_circuity_and_between_countries_the_general_one() -> None:
    home, abroad = lane(NETWORK, "north", MUNICH), lane(NETWORK, "north", LYON)
    assert home.road_km == home.straight_km * 1.32
    assert abroad.road_km == abroad.straight_km * 1.46
    assert home.air_km == home.straight_km + 95.0
    assert circuity(NETWORK, "FR", "FR") == 1.46  # no row of its own: the rest
    with pytest.raises(PlatewrightError, match="FR to FR"):
        circuity(replace(NETWORK, circuity=(("DE", 1.32),)), "FR", "FR")


def test_customs_lie_between_areas_not_countries() -> None:
    assert not lane(NETWORK, "north", MUNICH).crosses_customs
    assert not lane(NETWORK, "north", LYON).crosses_customs
    assert lane(NETWORK, "north", COLUMBUS).crosses_customs
    assert not lane(NETWORK, "west", COLUMBUS).crosses_customs  # an area of its own


def test_mass_and_chargeable_weight() -> None:
    # 3 pieces of 2 kg: 6 x 1.1 + 0.5 = 7.1 kg; bulk 3 x 10,000 x 1.5 = 45,000 cm3 = 9 kg by road, 7.5 kg by air
    assert shipped_mass_kg(NETWORK, 2.0, 3) == pytest.approx(7.1)
    assert chargeable_kg(NETWORK, ROAD, 2.0, 10_000.0, 3) == 9.0
    assert chargeable_kg(NETWORK, AIR, 2.0, 10_000.0, 3) == 7.5
    assert chargeable_kg(NETWORK, AIR, 2.0, 10.0, 3) == 7.5  # 7.1 rounded up to the half
    assert [half_kg_up(x) for x in (0.0, 0.2, 0.5, 0.5000000001, 0.51, 7.0)] == [0.0, 0.5, 0.5, 0.5, 1.0, 7.0]


def test_quotes_worked_by_hand() -> None:
    way = lane(NETWORK, "north", MUNICH)
    assert 600 < way.straight_km < 620
    by_road, by_air = quotes(NETWORK, "north", MUNICH, 2.0, 10_000.0, 3)
    assert (by_road.carrier_id, by_air.carrier_id) == ("road", "air")
    assert by_road.freight_cents == 2500 + 60 * 9  # second zone
    assert by_air.freight_cents == 6000 + round(700 * 7.5)
    assert by_road.co2e_kg == pytest.approx(0.0071 * way.road_km * 0.1)
    assert by_road.carbon_cents == round(by_road.co2e_kg * 10)
    assert (by_road.transit_working_days, by_air.transit_working_days) == (2, 1)
    assert by_road.total_cents == by_road.freight_cents + by_road.carbon_cents
    assert by_road.distance_km == way.road_km
    assert by_air.distance_km == way.air_km


def test_crossing_customs_adds_cents_and_days() -> None:
    (only,) = quotes(NETWORK, "north", COLUMBUS, 2.0, 10_000.0, 3)
    assert only.carrier_id == "air"
    assert only.freight_cents == 6000 + round(700 * 7.5) + 4500
    assert only.transit_working_days == 1 + 2


def test_zone_limits_belong_to_the_zone() -> None:
    way = lane(NETWORK, "north", MUNICH)
    exact = replace(ROAD.zones[0], up_to_km=way.road_km)
    narrow = replace(exact, up_to_km=way.road_km - 1e-6)
    for zone, first in ((exact, True), (narrow, False)):
        net = replace(NETWORK, carriers=(replace(ROAD, zones=(zone, *ROAD.zones[1:])),))
        assert (quotes(net, "north", MUNICH, 1.0, 1.0, 1)[0].transit_working_days == 1) is first


def test_a_carrier_takes_exactly_its_limit() -> None:
    # 10 x 1.1 + 0.5 = 11.5 kg
    for limit, taken in ((11.5, True), (11.4, False)):
        net = replace(NETWORK, carriers=(replace(ROAD, max_chargeable_kg=limit),))
        assert bool(quotes(net, "north", MUNICH, 10.0, 1.0, 1)) is taken


def test_quotes_are_ordered_by_freight_and_carbon_then_days_then_id() -> None:
    twin = replace(ROAD, carrier_id="a-road")
    slow = replace(ROAD, carrier_id="0-slow", zones=tuple(replace(z, transit_working_days=9) for z in ROAD.zones))
    net = replace(NETWORK, carriers=(slow, ROAD, twin, AIR))
    assert [q.carrier_id for q in quotes(net, "north", MUNICH, 1.0, 1.0, 1)] == ["a-road", "road", "0-slow", "air"]
    # A carbon price turns the order around.
    dirty = replace(
        ROAD,
        carrier_id="dirty",
        kg_co2e_per_tonne_km=5.0,
        zones=tuple(replace(z, base_cents=z.base_cents - 100) for z in ROAD.zones),
    )
    net = replace(NETWORK, carriers=(dirty, ROAD), carbon_cents_per_kg=0.0)
    assert quotes(net, "north", MUNICH, 20.0, 1.0, 1)[0].carrier_id == "dirty"
    net = replace(net, carbon_cents_per_kg=10.0)
    assert quotes(net, "north", MUNICH, 20.0, 1.0, 1)[0].carrier_id == "road"


def test_refusals_say_why_and_complete_the_quotes() -> None:
    said = refusals(NETWORK, "north", COLUMBUS, 100.0, 1.0, 6)
    assert quotes(NETWORK, "north", COLUMBUS, 100.0, 1.0, 6) == ()
    assert len(said) == 2
    assert said[0].startswith("Road freight cannot carry 6 pieces from north to Columbus, US: ")
    assert "beyond its last zone (3,000 km)" in said[0]
    assert "660.5 kg chargeable is over its limit of 500.0 kg" in said[0]
    assert "over its limit of 70.0 kg" in said[1]
    assert "beyond" not in said[1]
    assert refusals(NETWORK, "north", MUNICH, 1.0, 1.0, 1) == ()


def test_two_networks_do_not_mix_their_answers() -> None:
    dear = replace(NETWORK, carriers=(replace(ROAD, zones=(replace(ROAD.zones[1], base_cents=9999),)),))
    assert quotes(NETWORK, "north", MUNICH, 1.0, 1.0, 1)[0].freight_cents == 2500 + 60 * 2
    assert quotes(dear, "north", MUNICH, 1.0, 1.0, 1)[0].freight_cents == 9999 + 60 * 2
    assert freight_desk(NETWORK) is not freight_desk(dear)
    assert freight_desk(dear) is freight_desk(dear)


def test_dispatch_and_arrival_around_easter() -> None:
    staffed = StaffedTime(NORTH)
    quote = quotes(NETWORK, "north", MUNICH, 2.0, 10_000.0, 3)[0]
    ready = staffed.at_local(date(2026, 4, 2), time(15))  # Maundy Thursday, at the cut-off
    assert dispatch_and_arrival(NETWORK, staffed, ROAD, ready, quote, MUNICH) == (date(2026, 4, 2), date(2026, 4, 8))
    assert dispatch_and_arrival(NETWORK, staffed, None, ready + 1, quote, MUNICH) == (
        date(2026, 4, 7),
        date(2026, 4, 9),
    )


def test_arrival_counts_the_destinations_business_days() -> None:
    # From Friday 3 July 2026: observed Independence Day in the US; 14 July is a holiday in France only.
    assert arrival_date(date(2026, 7, 2), 1, COLUMBUS) == date(2026, 7, 6)
    assert arrival_date(date(2026, 7, 13), 1, LYON) == date(2026, 7, 15)
    assert arrival_date(date(2026, 7, 13), 1, HAMBURG) == date(2026, 7, 14)
    assert arrival_date(date(2026, 7, 13), 0, HAMBURG) == date(2026, 7, 13)


def test_the_same_moment_is_another_local_time_elsewhere() -> None:
    here, there = StaffedTime(NORTH), StaffedTime(WEST)
    moment = here.at_local(date(2026, 3, 3), time(18))  # noon in Ohio
    quote = quotes(NETWORK, "west", COLUMBUS, 2.0, 1.0, 1)[0]
    assert dispatch_and_arrival(NETWORK, here, ROAD, moment, quote, COLUMBUS)[0] == date(2026, 3, 4)
    assert dispatch_and_arrival(NETWORK, there, ROAD, moment, quote, COLUMBUS)[0] == date(2026, 3, 3)


def test_late_days_are_calendar_days() -> None:
    assert late_days(date(2026, 3, 23), date(2026, 3, 20)) == 3
    assert late_days(date(2026, 3, 20), date(2026, 3, 23)) == 0
