from __future__ import annotations

from dataclasses import replace
from datetime import date, time

from hypothesis import given, settings
from hypothesis import strategies as st
from small_shop import AIR, LYON, MUNICH, NETWORK, NORTH, ROAD

from router.domain.places import Place
from router.freight import chargeable_kg, dispatch_and_arrival, lane, quotes, refusals, shipped_mass_kg
from router.worktime import StaffedTime

STAFFED = StaffedTime(NORTH)
places = st.builds(
    Place,
    st.just("somewhere"),
    st.sampled_from(["DE", "FR", "US"]),
    st.floats(-80, 80, allow_nan=False),
    st.floats(-180, 180, allow_nan=False),
)
masses = st.floats(0.001, 60, allow_nan=False)
boxes = st.floats(0.1, 30_000, allow_nan=False)


@given(masses, boxes, st.integers(1, 200))
def test_chargeable_weight_covers_mass_and_bulk_by_less_than_half_a_kilogram(
    part_kg: float, box_cm3: float, pieces: int
) -> None:
    for carrier in (ROAD, AIR):
        charged = chargeable_kg(NETWORK, carrier, part_kg, box_cm3, pieces)
        mass = shipped_mass_kg(NETWORK, part_kg, pieces)
        bulk = pieces * box_cm3 * 1.5 / carrier.dim_cm3_per_kg
        assert max(mass, bulk) - 1e-8 <= charged < max(mass, bulk) + 0.5
        assert (2 * charged).is_integer()


@given(st.sampled_from([MUNICH, LYON]), masses, masses, boxes, st.integers(1, 20))
def test_freight_never_falls_with_mass_on_one_lane(
    place: Place, mass_a: float, mass_b: float, box_cm3: float, pieces: int
) -> None:
    light, heavy = sorted((mass_a, mass_b))
    low = {q.carrier_id: q for q in quotes(NETWORK, "north", place, light, box_cm3, pieces)}
    for quote in quotes(NETWORK, "north", place, heavy, box_cm3, pieces):
        before = low[quote.carrier_id]  # who can carry the heavier can carry the lighter
        assert before.freight_cents <= quote.freight_cents
        assert before.co2e_kg <= quote.co2e_kg
        assert before.carbon_cents <= quote.carbon_cents


@settings(deadline=None)
@given(places, masses, boxes, st.integers(1, 100))
def test_every_carrier_either_quotes_or_says_why_not(place: Place, part_kg: float, box_cm3: float, pieces: int) -> None:
    offered = quotes(NETWORK, "north", place, part_kg, box_cm3, pieces)
    refused = refusals(NETWORK, "north", place, part_kg, box_cm3, pieces)
    assert len(offered) + len(refused) == len(NETWORK.carriers)
    names = {NETWORK.carrier[q.carrier_id].name for q in offered}
    assert all(not sentence.startswith(name) for sentence in refused for name in names)
    costs = [q.total_cents for q in offered]
    assert costs == sorted(costs)


@settings(deadline=None)
@given(places)
def test_distances_are_at_least_the_straight_line_and_the_same_both_ways(place: Place) -> None:
    there = lane(NETWORK, "north", place)
    assert there.straight_km <= there.road_km
    assert there.air_km == there.straight_km + 95
    home = replace(NORTH, place=place)
    back = lane(replace(NETWORK, sites=(home,)), "north", NORTH.place)
    assert abs(back.straight_km - there.straight_km) < 1e-6
    assert abs(back.road_km - there.road_km) < 1e-6


@given(st.integers(0, 200_000), st.integers(0, 3000), st.sampled_from([MUNICH, LYON]))
def test_later_ready_never_arrives_earlier(offset: int, more: int, place: Place) -> None:
    quote = quotes(NETWORK, "north", place, 1.0, 100.0, 1)[0]
    ready = STAFFED.at_local(date(2026, 3, 2), time(0)) + offset
    first = dispatch_and_arrival(NETWORK, STAFFED, ROAD, ready, quote, place)
    second = dispatch_and_arrival(NETWORK, STAFFED, ROAD, ready + more, quote, place)
    assert first[0] <= second[0]
    assert first[1] <= second[1]
    assert first[0] < first[1]
    day, minute = STAFFED.local(ready)
    assert first[0] >= day
    if first[0] == day:
        assert minute <= 15 * 60
    assert STAFFED.business.is_business(first[0])
