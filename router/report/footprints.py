"""Footprints as drawn: one outline for each part and orientation, used by every piece, with a place for its letter."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from router.domain.network import Scenario
from router.domain.plan import Build
from router.geometry.facts import Footprint, PartFacts, Piece, Ring
from router.report.svg import px

_SCANS = (0.5, 0.3, 0.7, 0.15, 0.85)
_EDGES_LOOKED_AT = 72


@dataclass(frozen=True, slots=True)
class Room:
    """A place for a letter: its middle in footprint coordinates and the distance to the nearest edge."""

    x_mm: float
    y_mm: float
    radius_mm: float


@dataclass(frozen=True, slots=True)
class Drawn:
    """An outline on the page: its element id, the widest room on the material, and the widest when holes count too."""

    element: str
    solid: Room
    whole: Room


def drawn_footprints(scenario: Scenario, builds: Iterable[Build]) -> tuple[str, Mapping[tuple[str, str], Drawn]]:
    """Definitions for all footprints the builds use, and how to use them, by (model, orientation).

    A footprint the scenario does not hold is left out; its pieces are then drawn as a mark without an outline.
    """
    needed = dict.fromkeys(
        (scenario.line[piece.line_id].model, piece.orientation)
        for build in builds
        for piece in build.pieces
        if piece.line_id is not None and piece.line_id in scenario.line
    )
    paths: list[str] = []
    found: dict[tuple[str, str], Drawn] = {}
    for model, orientation in needed:
        footprint = footprint_of(scenario.parts, model, orientation)
        if footprint is None:
            continue
        element = f"fp{len(found)}"
        outer, holes = max(footprint.polygons, key=lambda piece: _area(piece[0]))
        found[model, orientation] = Drawn(element, widest_room((outer, *holes)), widest_room((outer,)))
        paths.append(f'<path id="{element}" fill-rule="evenodd" d="{outline(footprint.polygons)}"/>')
    hidden = '<svg class="defs" width="0" height="0" aria-hidden="true" focusable="false">'
    return f"{hidden}<defs>{''.join(paths)}</defs></svg>", found


def footprint_of(parts: Mapping[str, PartFacts], model: str, orientation: str) -> Footprint | None:
    """The footprint of an orientation of a part, if both are known."""
    facts = parts.get(model)
    return next((o.footprint for o in facts.orientations if o.key == orientation), None) if facts else None


def outline(pieces: Iterable[Piece]) -> str:
    """Path data in mm, outer rings and holes, to a hundredth; steps are relative, so the text stays short."""
    return "".join(_path(ring) for outer, holes in pieces for ring in (outer, *holes))


def _path(ring: Ring) -> str:
    whole = [(round(x * 100), round(y * 100)) for x, y in ring]
    text = f"M{px(whole[0][0] / 100, 2)} {px(whole[0][1] / 100, 2)}l"
    steps = (f"{px((x1 - x0) / 100, 2)} {px((y1 - y0) / 100, 2)}" for (x0, y0), (x1, y1) in itertools.pairwise(whole))
    return text + " ".join(steps) + "z"


def widest_room(rings: Sequence[Ring]) -> Room:
    """A place well inside an outer ring and off the holes after it.

    Looks along five level lines, at the middle of each stretch of material, and keeps the one farthest from the
    (thinned) outline: good enough to place a letter, not a measurement.
    """
    outer = rings[0]
    low, high = min(y for _, y in outer), max(y for _, y in outer)
    best = Room(sum(x for x, _ in outer) / len(outer), (low + high) / 2, 0.0)
    edges = [edge for ring in rings for edge in _edges(_thinned(ring))]
    for share in _SCANS:
        y = low + share * (high - low) + 1e-6
        crossings = sorted(
            x0 + (y - y0) * (x1 - x0) / (y1 - y0)
            for ring in rings
            for (x0, y0), (x1, y1) in _edges(ring)
            if (y0 > y) != (y1 > y)
        )
        for left, right in zip(crossings[::2], crossings[1::2], strict=False):
            x = (left + right) / 2
            if (right - left) / 2 > best.radius_mm:
                radius = min((right - left) / 2, *(_distance(x, y, edge) for edge in edges))
                if radius > best.radius_mm:
                    best = Room(x, y, radius)
    return best


Edge = tuple[tuple[float, float], tuple[float, float]]


def _edges(ring: Ring) -> Iterable[Edge]:
    return zip(ring, ring[1:] + ring[:1], strict=True)


def _thinned(ring: Ring) -> Ring:
    step = max(1, len(ring) // _EDGES_LOOKED_AT)
    return ring[::step]


def _area(ring: Ring) -> float:
    return abs(sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in _edges(ring))) / 2


def _distance(x: float, y: float, edge: Edge) -> float:
    (x0, y0), (x1, y1) = edge
    dx, dy = x1 - x0, y1 - y0
    length2 = dx * dx + dy * dy
    along = min(1.0, max(0.0, ((x - x0) * dx + (y - y0) * dy) / length2)) if length2 else 0.0
    return math.hypot(x - x0 - along * dx, y - y0 - along * dy)
