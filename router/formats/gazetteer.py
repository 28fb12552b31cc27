"""Places without a network: cities of 15,000 people and more (GeoNames, CC BY 4.0) and US ZIP codes.

A city is found by name and country. Accents, case and punctuation do not matter, and for cities above
100,000 other Latin names (Köln, Cologne) count too. Several cities of one name in a country are
ambiguous unless one is dominant: at least ``DOMINANCE`` times as many people as the next. The region
can be given in brackets or after a comma: ``Springfield (Illinois)``, ``Springfield, IL``.
"""

from __future__ import annotations

import gzip
import unicodedata
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib import resources

from router.formats.regions import region_codes, region_name
from router.kernel.names import nearest

DOMINANCE = 5.0


@dataclass(frozen=True, slots=True)
class City:
    """A row of the gazetteer; coordinates in degrees WGS84."""

    name: str
    country: str
    admin1: str
    latitude_deg: float
    longitude_deg: float
    population: int
    alternates: tuple[str, ...]

    def label(self) -> str:
        """``Springfield (Illinois), US, 114,394 people``"""
        region = region_name(self.country, self.admin1)
        return f"{self.name}{f' ({region})' if region else ''}, {self.country}, {self.population:,} people"


class PlaceNotResolved(Exception):
    """A place that is unknown or ambiguous; the text says what would be right."""


def fold(name: str) -> str:
    """A name without case, accents and punctuation; ``St.`` reads ``saint``."""
    flat = (
        name.replace("ß", "ss")
        .replace("ø", "o")
        .replace("Ø", "O")
        .replace("ł", "l")
        .replace("Ł", "L")
        .replace("đ", "d")
    )
    plain = "".join(c for c in unicodedata.normalize("NFKD", flat) if not unicodedata.combining(c)).casefold()
    words = "".join(c if c.isalnum() else " " for c in plain.replace("'", "").replace("’", "")).split()
    return " ".join({"st": "saint", "ste": "sainte"}.get(w, w) for w in words)


@cache
def cities() -> dict[str, tuple[City, ...]]:
    """All rows by country."""
    packed = resources.files("router.formats").joinpath("gazetteer.tsv.gz").read_bytes()
    rows: dict[str, list[City]] = {}
    for line in gzip.decompress(packed).decode("utf-8").splitlines():
        country, name, admin1, latitude, longitude, population, others = line.split("\t")
        alternates = tuple(others.split("|")) if others else ()
        city = City(name, country, admin1, float(latitude), float(longitude), int(population), alternates)
        rows.setdefault(country, []).append(city)
    return {country: tuple(found) for country, found in rows.items()}


@cache
def _names_in(country: str) -> dict[str, tuple[City, ...]]:
    """The cities of a country by folded name, largest first."""
    index: dict[str, list[City]] = {}
    for city in cities().get(country, ()):
        own = fold(city.name)
        # A city is also found without the word that only its official name carries: New York City.
        for name in {own, own.removesuffix(" city"), *map(fold, city.alternates)}:
            index.setdefault(name, []).append(city)
    return {name: tuple(sorted(found, key=lambda c: -c.population)) for name, found in index.items()}


@lru_cache(maxsize=1 << 16)
def find_city(text: str, country: str) -> City:
    """The one city meant. Raises PlaceNotResolved with the candidates when there is none or more than one."""
    name, _, region = text.partition("(" if "(" in text else ",")
    region = region.rstrip(") ").strip()
    known = _names_in(country)
    hits = known.get(fold(name), ())
    # The name proper goes before other names: Paris is not also every city once called so.
    proper = tuple(c for c in hits if fold(c.name) == fold(name))
    hits = proper or hits
    if region:
        codes = region_codes(country, region)
        inside = tuple(c for c in hits if c.admin1 in codes)
        if hits and not inside:
            raise PlaceNotResolved(f"a region {name.strip()} lies in: {_list(hits)}")
        hits = inside
    if not hits:
        raise PlaceNotResolved(_unknown(name.strip(), country, known))
    if len(hits) > 1 and hits[0].population < DOMINANCE * hits[1].population:
        raise PlaceNotResolved(
            f"one place, there are {len(hits)}: {_list(hits)}; name the region in brackets or give coordinates"
        )
    return hits[0]


def _list(hits: tuple[City, ...]) -> str:
    return "; ".join(c.label() for c in hits[:6]) + (f"; and {len(hits) - 6} more" if len(hits) > 6 else "")


@cache
def _everywhere() -> dict[str, tuple[City, ...]]:
    """The cities of the world by the folded name proper, largest first."""
    index: dict[str, list[City]] = {}
    for city in (c for found in cities().values() for c in found):
        index.setdefault(fold(city.name), []).append(city)
    return {name: tuple(sorted(found, key=lambda c: -c.population)) for name, found in index.items()}


def _unknown(name: str, country: str, known: dict[str, tuple[City, ...]]) -> str:
    text = f"a city of 15,000 people or more in {country}, or coordinates"
    elsewhere = _everywhere().get(fold(name), ())
    if elsewhere:
        return f"{text}; elsewhere there is {_list(elsewhere[:3])}"
    guess = nearest(fold(name), known)
    return f"{text}; did you mean {known[guess][0].label()}?" if guess else text
