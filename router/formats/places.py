"""From what a file says of a place to coordinates: given ones, a US ZIP code, or a city of the gazetteer."""

from __future__ import annotations

import re

import zipcodes

from router.domain.places import Place
from router.formats.gazetteer import PlaceNotResolved, find_city

_ZIP = re.compile(r"([0-9]{5})(-[0-9]{4})?")


def resolve_place(
    country: str, city: str | None, postcode: str | None, latitude_deg: float | None, longitude_deg: float | None
) -> Place:
    """The place meant. Coordinates go before a post code, a post code before a city.

    ``country`` is a known ISO 3166-1 alpha-2 code. Outside the US a post code is kept for the label and the
    city decides. Raises PlaceNotResolved with what would be right.
    """
    if latitude_deg is not None and longitude_deg is not None:
        name = city or postcode or f"{latitude_deg:.4f} {longitude_deg:.4f}"
        return Place(name, country, latitude_deg, longitude_deg, postcode)
    if postcode is not None and country == "US":
        return _us_post_code(postcode, city)
    if city is None:
        raise PlaceNotResolved(f"a city or coordinates: post codes are looked up in the US only, not in {country}")
    hit = find_city(city, country)
    return Place(hit.name, country, hit.latitude_deg, hit.longitude_deg, postcode)


def _us_post_code(postcode: str, city: str | None) -> Place:
    match = _ZIP.fullmatch(postcode)
    hits = zipcodes.matching(match[1]) if match else []  # type: ignore[no-untyped-call]
    located = [h for h in hits if h["lat"] and h["long"] and (float(h["lat"]) or float(h["long"]))]
    if not located:
        raise PlaceNotResolved("a US ZIP code in use, five digits, e.g. 45202")
    hit = located[0]
    return Place(city or str(hit["city"]), "US", float(hit["lat"]), float(hit["long"]), postcode)
