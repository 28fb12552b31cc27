"""Distances, weights and emissions of freight against published figures; each names its source."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import pytest
from small_shop import NETWORK, NORTH, PRESS, ROAD

from router.costing import build_carbon
from router.domain.carriers import Carrier, Customs, Packaging, Zone
from router.domain.network import Network
from router.domain.places import Place
from router.freight import (
    Lane,
    chargeable_kg,
    circuity,
    dimensional_kg,
    freight_desk,
    lane,
    quotes,
    straight_km,
)

DATA = Path(__file__).resolve().parents[2].parent / "shared" / "data"
LB_KG = 0.45359237
INCH3_CM3 = 2.54**3
SHORT_TON_MILE_TKM = 0.90718474 * 1.609344

# --- geodesics ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ends", "metres", "within_m"),
    [
        # GeographicLib documentation (Karney)
        ((-41.32, 174.81, 40.96, -5.50), 19_959_679.267, 0.001),
        # GeographicLib documentation: Beijing - San Francisco, given to the metre
        ((40.1, 116.6, 37.6, -122.4), 9_513_998, 0.6),
        # Geoscience Australia, GDA technical manual: Flinders Peak - Buninyong (GRS80, which differs by under 0.1 mm)
        ((-37.95103341666667, 144.42486788888888, -37.65282113888889, 143.92649552777777), 54_972.271, 0.001),
        # GeographicLib test set (Karney), the second and the eleventh case
        ((55.52454, 106.05087, 77.03196, 197.18234), 4_105_086.171392441, 1e-5),
        ((-66.99028, 112.2363, -12.70631, 285.90344), 11_150_344.231208025, 1e-5),
        # One degree along the equator: pi / 180 x 6,378,137 m (definition of WGS84)
        ((0.0, 0.0, 0.0, 1.0), 111_319.490793, 1e-5),
        ((12.0, 34.0, 12.0, 34.0), 0.0, 0.0),
    ],
)
def test_geodesic(ends: tuple[float, float, float, float], metres: float, within_m: float) -> None:
    assert 1000 * straight_km(*ends) == pytest.approx(metres, abs=within_m, rel=0)


def test_geodesics_of_the_shared_table() -> None:
    file = DATA / "or" / "geodesic.json"
    if not file.is_file():
        pytest.skip("geodesic.json does not lie beside the project")
    lines = [x for x in json.loads(file.read_text(encoding="utf-8"))["instances"] if x["ellipsoid"] == "WGS84"]
    assert len(lines) >= 25
    for x in lines:
        found = 1000 * straight_km(x["lat1"], x["lon1"], x["lat2"], x["lon2"])
        assert found == pytest.approx(x["s12"], abs=max(x["tolerance_m"], 1e-5), rel=0), x["name"]


def test_airport_pairs_of_the_shared_table_by_air() -> None:
    """Computed with geographiclib 2.1; a flight adds 95 km to the great circle (EN 16258)."""
    file = DATA / "facts" / "airport_distances.csv"
    if not file.is_file():
        pytest.skip("airport_distances.csv does not lie beside the project")
    with file.open(encoding="utf-8", newline="") as opened:
        rows = list(csv.DictReader(opened))
    assert len(rows) == 20
    for row in rows:
        home = replace(NORTH, place=Place(row["from"], "DE", float(row["lat1"]), float(row["lon1"])))
        there = Place(row["to"], "FR", float(row["lat2"]), float(row["lon2"]))
        way = lane(replace(NETWORK, sites=(home,)), "north", there)
        assert way.air_km == pytest.approx(float(row["geodesic_wgs84_km"]) + 95, abs=0.0006)


# --- circuity -------------------------------------------------------------------------------------------------------

BALLOU_2002 = {
    # Ballou, Rahardja, Sakai (2002), Transportation Research Part A 36(9), 843-848, table 1 (read in quotations of it)
    "US": 1.20,
    "DE": 1.32,
    "FR": 1.65,
    "IT": 1.18,
    "ES": 1.58,
    "PL": 1.21,
    "HU": 1.35,
    "GB": 1.40,  # England
    "*": 1.46,  # Europe as a whole
}


def test_road_distance_with_the_published_circuity() -> None:
    net = replace(NETWORK, circuity=tuple(BALLOU_2002.items()))
    for country, factor in BALLOU_2002.items():
        if country != "*":
            assert circuity(net, country, country) == factor
    assert circuity(net, "DE", "PL") == circuity(net, "CZ", "CZ") == 1.46
    # Los Angeles - New York: 3982.961 km straight (geographiclib 2.1) x 1.20
    home = replace(NORTH, place=Place("LAX", "US", 33.942496, -118.408049))
    way = lane(replace(net, sites=(home,)), "north", Place("JFK", "US", 40.639928, -73.778692))
    assert way.road_km == pytest.approx(4779.553, abs=0.01)


# --- dimensional weight ---------------------------------------------------------------------------------------------

BARE = replace(NETWORK, packaging=Packaging(0.0, 0.0, 1.0))


def by(divisor_cm3_per_kg: float) -> Carrier:
    return replace(ROAD, dim_cm3_per_kg=divisor_cm3_per_kg, max_chargeable_kg=10_000.0)


def test_air_freight_divisor_worked_example() -> None:
    """Forwarders' example: a box of 140 x 100 x 90 cm that weighs 150 kg is charged as 210 kg (6000 cm3/kg)."""
    assert chargeable_kg(BARE, by(6000), 150.0, 140 * 100 * 90, 1) == 210.0
    assert chargeable_kg(BARE, by(6000), 250.0, 140 * 100 * 90, 1) == 250.0


def test_pallets_worked_example() -> None:
    """Forwarders' example: 9 pallets of 122 x 101.5 x 127 cm, 1350 kg in all, come to 2359 kg (6000 cm3/kg)."""
    assert dimensional_kg(BARE, by(6000), 122 * 101.5 * 127, 9) == pytest.approx(2359, abs=0.5)
    assert chargeable_kg(BARE, by(6000), 150.0, 122 * 101.5 * 127, 9) == 2359.0


def test_parcel_divisor_in_inches_worked_example() -> None:
    """Parcel carriers' example: 30 x 20 x 20 in = 12,000 in3 / 139 in3/lb = 86.3 lb, charged as 87 lb."""
    kg = dimensional_kg(BARE, by(139 * INCH3_CM3 / LB_KG), 12_000 * INCH3_CM3, 1)
    assert kg / LB_KG == pytest.approx(86.33, abs=0.005)
    # Ours rounds up to half kilograms: 39.16 kg to 39.5 kg, which is 87.08 lb.
    assert chargeable_kg(BARE, by(139 * INCH3_CM3 / LB_KG), 1.0, 12_000 * INCH3_CM3, 1) == 39.5


def test_divisors_in_two_systems_are_not_quite_the_same() -> None:
    """139 in3/lb is 5021.7 cm3/kg and 166 in3/lb is 5997.1 cm3/kg (arithmetic), not 5000 and 6000."""
    bulk = 5_000_000.0
    for inches, centimetres in ((139, 5021.7), (166, 5997.1)):
        exact = dimensional_kg(BARE, by(inches * INCH3_CM3 / LB_KG), bulk, 1)
        assert exact == pytest.approx(bulk / centimetres, rel=1e-5)


def test_break_even_density() -> None:
    """A cubic metre weighs as much as it is charged at 200 kg (5000 cm3/kg) and 166.7 kg (6000 cm3/kg)."""
    assert dimensional_kg(BARE, by(5000), 1e6, 1) == 200.0
    assert dimensional_kg(BARE, by(6000), 1e6, 1) == pytest.approx(166.7, abs=0.05)


# --- emissions ------------------------------------------------------------------------------------------------------

FACTORS = [
    # UK government conversion factors 2025, Freighting goods, kg CO2e per tonne-km
    ("HGV, all, average laden", 0.10163, 1000.0, 1000.0, 101.63),
    ("HGV articulated over 33 t", 0.07703, 2500.0, 400.0, 77.03),
    ("air, long-haul with RF", 0.89939, 12.5, 8000.0, 89.939),
    # US EPA emission factors hub 2025, table 8: a truck emits 0.18748 kg CO2e a short ton-mile
    ("EPA truck, 1000 short ton-miles", 0.128413, 907.18474, 1609.344, 187.48),
]


@pytest.mark.parametrize(("name", "factor", "mass_kg", "km", "co2e_kg"), FACTORS)
def test_tonne_km_times_factor(name: str, factor: float, mass_kg: float, km: float, co2e_kg: float) -> None:
    carrier = replace(
        ROAD, kg_co2e_per_tonne_km=factor, max_chargeable_kg=1e6, zones=(Zone(20_000.0, 0, 0, 1),), factor_source=name
    )
    way = Lane("north", "DE", "DE", km, km, km + 95, False)
    quote = freight_desk(NETWORK).quote(carrier, way, mass_kg, mass_kg)
    assert quote is not None
    assert quote.co2e_kg == pytest.approx(co2e_kg, rel=5e-6)
    assert quote.carbon_cents == round(co2e_kg * NETWORK.carbon_cents_per_kg)


def test_conversion_of_the_short_ton_mile() -> None:
    """US EPA emission factors hub 2025, table 8; warming potentials 28 and 265 (IPCC AR5)."""
    per_short_ton_mile = 0.186 + 0.0016 / 1000 * 28 + 0.0054 / 1000 * 265
    assert per_short_ton_mile == pytest.approx(0.18748, abs=1e-5)
    assert FACTORS[3][1] == pytest.approx(0.18748 / SHORT_TON_MILE_TKM, abs=1e-6)


def test_air_emits_an_order_of_magnitude_more_than_road_on_the_same_lane() -> None:
    """UK government conversion factors 2025: long-haul air 0.89939, articulated lorry 0.07703 kg CO2e per tonne-km."""
    zone = (Zone(20_000.0, 1000, 10, 1),)
    road = replace(ROAD, kg_co2e_per_tonne_km=0.07703, zones=zone)
    air = replace(ROAD, carrier_id="air", by_air=True, kg_co2e_per_tonne_km=0.89939, zones=zone)
    net = with_carriers(road, air)
    found = {q.carrier_id: q for q in quotes(net, "north", Place("Madrid", "ES", 40.42, -3.70), 10.0, 100.0, 1)}
    assert 5 < found["air"].co2e_kg / found["road"].co2e_kg < 15


def with_carriers(*carriers: Carrier) -> Network:
    return replace(NETWORK, carriers=carriers, customs=Customs((), 0, 0))


def test_carbon_of_electricity_from_the_us_grid() -> None:
    """eGRID2022, US average: 823.149 lb CO2, 0.066 lb CH4, 0.009 lb N2O a MWh make 0.375294 kg CO2e a kWh."""
    pounds = 823.149 + 0.066 * 28 + 0.009 * 265
    net = replace(NETWORK, sites=(replace(NORTH, grid_kg_co2e_per_kwh=0.375294),))
    co2e_kg, cents = build_carbon(net, PRESS, 1000.0)
    assert co2e_kg == pytest.approx(pounds * LB_KG, rel=1e-5)
    assert cents == 3753
