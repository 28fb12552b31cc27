"""The legs of the plan on a map: sites, destinations, lines as wide as what travels is heavy.

Projection: equirectangular with the parallel through the middle true to scale (x = longitude x cos of that latitude),
good to the eye over a continent. Outlines: Natural Earth, public domain (README of this room).
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

from router.report.measures import METRIC, Measures
from router.report.svg import esc, frame, px

WIDTH_PX = 1000.0
_LEAST_SPAN_DEG, _MARGIN_SHARE = 6.0, 0.09
_TALLEST, _FLATTEST = 0.72, 0.42
_THINNEST_PX, _WIDEST_PX = 0.8, 11.0

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class MapSite:
    """A site: name, degrees, colour number."""

    name: str
    latitude_deg: float
    longitude_deg: float
    key: int


@dataclass(frozen=True, slots=True)
class Leg:
    """All shipments from one site to one place, added up; or, with ``shipments`` 0, what could go that way."""

    site: MapSite
    to: str
    latitude_deg: float
    longitude_deg: float
    mass_kg: float
    shipments: int


@dataclass(frozen=True, slots=True)
class Window:
    """The part of the world shown, and how it lies on the drawing."""

    west: float
    east: float
    south: float
    north: float
    squeeze: float
    """Cosine of the middle latitude: a degree of longitude over a degree of latitude."""

    @property
    def per_degree(self) -> float:
        """Pixels of a degree of latitude."""
        return WIDTH_PX / ((self.east - self.west) * self.squeeze)

    @property
    def height_px(self) -> float:
        """Height of the drawing."""
        return (self.north - self.south) * self.per_degree

    def at(self, longitude_deg: float, latitude_deg: float) -> Point:
        """Place on the drawing."""
        return (longitude_deg - self.west) * self.squeeze * self.per_degree, (
            self.north - latitude_deg
        ) * self.per_degree


def window(points: Sequence[Point]) -> Window:
    """A window around (longitude, latitude) points with some air, neither a strip nor a tower."""
    longitudes, latitudes = [p[0] for p in points] or [0.0], [p[1] for p in points] or [48.0]
    middle_x, middle_y = (min(longitudes) + max(longitudes)) / 2, (min(latitudes) + max(latitudes)) / 2
    squeeze = max(0.2, math.cos(math.radians(middle_y)))
    wide = max(max(longitudes) - min(longitudes), _LEAST_SPAN_DEG / squeeze) * (1 + 2 * _MARGIN_SHARE)
    high = max(max(latitudes) - min(latitudes), _LEAST_SPAN_DEG) * (1 + 2 * _MARGIN_SHARE)
    wide = max(wide, high / _TALLEST / squeeze)
    high = max(high, wide * squeeze * _FLATTEST)
    return Window(middle_x - wide / 2, middle_x + wide / 2, middle_y - high / 2, middle_y + high / 2, squeeze)


def legs_map(element: str, sites: Sequence[MapSite], legs: Sequence[Leg], measures: Measures = METRIC) -> str:
    """The map as SVG text: land, legs (heaviest below, those only possible broken), destinations, sites with names."""
    points = [(s.longitude_deg, s.latitude_deg) for s in sites] + [(g.longitude_deg, g.latitude_deg) for g in legs]
    shown = window(points)
    heaviest = max((leg.mass_kg for leg in legs), default=0.0)
    ordered = sorted(legs, key=lambda g: (-g.mass_kg, g.site.name, g.to))
    places = {(g.to, g.latitude_deg, g.longitude_deg): 0.0 for g in ordered}
    planned = [leg for leg in ordered if leg.shipments]
    for leg in planned:
        places[leg.to, leg.latitude_deg, leg.longitude_deg] += leg.mass_kg
    marked = [shown.at(*p) for p in points]
    key, covered = _key(heaviest, marked, shown, measures)
    boxes: list[tuple[float, float, float, float]] = [covered] if key else []
    site_marks = "".join(_site(site, shown, boxes) for site in sites)
    dots = "".join(
        f'<circle class="dest" cx="{px(x)}" cy="{px(y)}" r="2.6"><title>{esc(to)}: {measures.mass(kg)}</title></circle>'
        for (to, lat, lon), kg in places.items()
        for x, y in (shown.at(lon, lat),)
    )
    names = "".join(
        _name(to, *shown.at(lon, lat), boxes, shown)
        for (to, lat, lon), _ in sorted(places.items(), key=lambda item: (-item[1], item[0]))
    )
    body = (
        f'<rect class="sea" width="{px(WIDTH_PX)}" height="{px(shown.height_px)}"/>'
        f'<path class="land" d="{_land(shown)}"/>'
        f"{''.join(_leg(leg, heaviest, shown, measures) for leg in ordered)}{dots}{names}{site_marks}"
        f"{key}"
    )
    described = (
        f"{len(sites)} sites, {len(places)} destinations, {len(planned)} legs carrying "
        f"{measures.mass(sum(g.mass_kg for g in planned))} in {sum(g.shipments for g in planned)} shipments"
        f"{f', {len(legs) - len(planned)} other ways that are possible' if len(planned) < len(legs) else ''}. "
        "The table below gives the same figures."
    )
    return frame(element, WIDTH_PX, shown.height_px, "Map of the legs from sites to destinations", described, body)


def leg_width_px(mass_kg: float, heaviest_kg: float) -> float:
    """Line width in proportion to mass, but never too thin to be seen."""
    return max(_THINNEST_PX, _WIDEST_PX * mass_kg / heaviest_kg) if heaviest_kg > 0 else _THINNEST_PX


def _leg(leg: Leg, heaviest_kg: float, shown: Window, measures: Measures) -> str:
    """A gently bent line: legs there and back, or over a common stretch, do not hide each other."""
    x0, y0 = shown.at(leg.site.longitude_deg, leg.site.latitude_deg)
    x1, y1 = shown.at(leg.longitude_deg, leg.latitude_deg)
    bend_x, bend_y = (x0 + x1) / 2 + (y1 - y0) * 0.12, (y0 + y1) / 2 - (x1 - x0) * 0.12
    carried = "possible, not planned"
    if leg.shipments:
        carried = f"{measures.mass(leg.mass_kg)} in {leg.shipments} shipment(s)"
    label = f"{leg.site.name} to {leg.to}: {carried}"
    kind = f"leg s{leg.site.key}" if leg.shipments else f"leg s{leg.site.key} maybe"
    return (
        f'<path class="{kind}" stroke-width="{px(leg_width_px(leg.mass_kg, heaviest_kg), 2)}" '
        f'd="M{px(x0)} {px(y0)}Q{px(bend_x)} {px(bend_y)} {px(x1)} {px(y1)}"><title>{esc(label)}</title></path>'
    )


def _site(site: MapSite, shown: Window, boxes: list[tuple[float, float, float, float]]) -> str:
    x, y = shown.at(site.longitude_deg, site.latitude_deg)
    width = len(site.name) * 7.4
    right = x + 11 + width < WIDTH_PX
    left = x + 10 if right else x - 10 - width
    boxes += [(x - 8, y - 8, x + 8, y + 8), (left, y - 9, left + width, y + 6)]
    name_x = px(x + 10 if right else x - 10)
    anchor = "" if right else ' text-anchor="end"'
    return (
        f'<rect class="site s{site.key}" x="{px(x - 6)}" y="{px(y - 6)}" width="12" height="12" rx="1.5"/>'
        f'<text class="sitename" x="{name_x}" y="{px(y + 4.5)}"{anchor}>{esc(site.name)}</text>'
    )


def _name(to: str, x: float, y: float, boxes: list[tuple[float, float, float, float]], shown: Window) -> str:
    """The destination's name on the first side where it hides nothing; without room, it stays in the pointer's text."""
    width = len(to) * 6.3
    for left, top in ((x + 5, y - 6), (x - 5 - width, y - 6), (x - width / 2, y - 16), (x - width / 2, y + 4)):
        box = (left, top, left + width, top + 12)
        inside = left > 2 and box[2] < WIDTH_PX - 2 and top > 2 and box[3] < shown.height_px - 2
        if inside and not any(b[0] < box[2] and box[0] < b[2] and b[1] < box[3] and box[1] < b[3] for b in boxes):
            boxes.append(box)
            return f'<text class="destname" x="{px(left)}" y="{px(top + 9.5)}">{esc(to)}</text>'
    return ""


def _key(
    heaviest_kg: float, marked: Sequence[Point], shown: Window, measures: Measures
) -> tuple[str, tuple[float, float, float, float]]:
    """Sample widths in the first corner with no mark near it, else at the lower left; and what they cover."""
    wide, high = 130.0, 44.0
    corners = [(x, y) for y in (shown.height_px - high, 0.0) for x in (0.0, WIDTH_PX - wide)]
    left, top = next((c for c in corners if not any(_near(p, c, wide, high) for p in marked)), corners[0])
    box = (left, top, left + wide, top + high)
    if heaviest_kg <= 0:
        return "", box
    rows = []
    for row, mass in enumerate((heaviest_kg, heaviest_kg / 4)):
        y = top + high - 16 - 18 * row
        rows.append(
            f'<path class="leg keyleg" stroke-width="{px(leg_width_px(mass, heaviest_kg), 2)}" '
            f'd="M{px(left + 14)} {px(y)}h34"/>'
            f'<text class="destname" x="{px(left + 56)}" y="{px(y + 3.5)}">{measures.mass(mass)}</text>'
        )
    return "".join(rows), box


def _near(point: Point, corner: Point, wide: float, high: float, air: float = 12.0) -> bool:
    return -air < point[0] - corner[0] < wide + air and -air < point[1] - corner[1] < high + air


def _land(shown: Window) -> str:
    air = 2.0
    box = (shown.west - air, shown.south - air, shown.east + air, shown.north + air)
    paths = []
    for ring in outlines():
        if any(box[0] < x < box[2] for x, _ in ring) and any(box[1] < y < box[3] for _, y in ring):
            kept = clipped(ring, box)
            if len(kept) > 2:
                paths.append("M" + "L".join(f"{px(x)} {px(y)}" for x, y in (shown.at(*p) for p in kept)) + "z")
    return "".join(paths)


def clipped(ring: Sequence[Point], box: tuple[float, float, float, float]) -> list[Point]:
    """The ring cut to a box, one side after the other (Sutherland and Hodgman 1974, *Comm. ACM* 17(1))."""
    points = list(ring)
    for axis, limit, above in ((0, box[0], True), (0, box[2], False), (1, box[1], True), (1, box[3], False)):
        points = list(_cut(points, axis, limit, above))
    return points


def _cut(points: Sequence[Point], axis: int, limit: float, above: bool) -> Iterable[Point]:
    for i, here in enumerate(points):
        before = points[i - 1]
        inside, was_inside = (here[axis] >= limit) == above, (before[axis] >= limit) == above
        if inside != was_inside:
            share = (limit - before[axis]) / (here[axis] - before[axis])
            yield before[0] + share * (here[0] - before[0]), before[1] + share * (here[1] - before[1])
        if inside:
            yield here


@lru_cache(maxsize=1)
def outlines() -> tuple[tuple[Point, ...], ...]:
    """Outer rings of countries as (longitude, latitude), see ``make_outlines.py``."""
    raw = json.loads(resources.files("router.report").joinpath("outlines.json").read_text(encoding="utf-8"))
    per_degree = raw["per_degree"]
    rings = []
    for flat in raw["rings"]:
        x = y = 0
        ring = []
        for i in range(0, len(flat), 2):
            x, y = x + flat[i], y + flat[i + 1]
            ring.append((x / per_degree, y / per_degree))
        rings.append(tuple(ring))
    return tuple(rings)
