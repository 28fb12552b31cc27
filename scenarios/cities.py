"""The cities that invented customers and sites are in: real places, drawn by weight."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from router.domain.places import Place
from router.formats.places import resolve_place

EARTH_RADIUS_KM = 6371.0088
"""Mean radius R1 of the WGS84 ellipsoid; good to half a per cent, enough for drawing cities."""


@dataclass(frozen=True, slots=True)
class City:
    """A row of ``cities.csv`` with its place. ``weight``: how readily a customer is placed there (assumption)."""

    place: Place
    time_zone: str
    subdivision: str | None
    weight: float


@cache
def cities() -> tuple[City, ...]:
    """All cities, in the order of the file; coordinates from the project's gazetteer (GeoNames, CC BY 4.0)."""
    text = Path(__file__).with_name("cities.csv").read_text(encoding="utf-8")
    return tuple(
        City(
            place=resolve_place(row["country"], row["name"], None, None, None),
            time_zone=row["time_zone"],
            subdivision=row["subdivision"] or None,
            weight=float(row["weight"]),
        )
        for row in csv.DictReader(text.splitlines())
    )


def rough_km(a: Place, b: Place) -> float:
    """Great-circle distance in km (haversine on a sphere)."""
    lat_a, lat_b = math.radians(a.latitude_deg), math.radians(b.latitude_deg)
    turn = math.radians(b.longitude_deg - a.longitude_deg)
    h = math.sin((lat_b - lat_a) / 2) ** 2 + math.cos(lat_a) * math.cos(lat_b) * math.sin(turn / 2) ** 2
    return 2 * EARTH_RADIUS_KM * math.asin(min(1.0, math.sqrt(h)))
