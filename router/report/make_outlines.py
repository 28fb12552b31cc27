"""Makes ``outlines.json``, the country outlines under the map, from a public-domain file of countries.

Run once when the outlines are to be renewed: ``python -m router.report.make_outlines countries.json outlines.json``.
Takes GeoJSON (FeatureCollection) or TopoJSON (first object). Neighbours are simplified together, so that their
common border stays common; needs shapely 2.1 with GEOS 3.12 for that, which planning itself does not.

Form of the output: ``{"source": ..., "per_degree": 50, "rings": [[x0, y0, dx1, dy1, ...], ...]}`` with whole numbers,
longitude and latitude times ``per_degree``, each vertex as the step from the one before. Inner rings are left out:
a country inside another is drawn by its own outline.
"""

from __future__ import annotations

import itertools
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import shapely
from shapely.geometry import Polygon, shape
from shapely.geometry.base import BaseGeometry

PER_DEGREE = 50
#: Simplification: triangles smaller than the square of this many degrees vanish; chosen so that a coast looks right
#: when Europe is some 900 px wide and the file stays below 200 kB.
_TOLERANCE_DEG = 0.1
#: Islands below this area (square degrees) are left out.
_LEAST_AREA_DEG2 = 0.02


def countries_of(raw: dict[str, Any]) -> list[BaseGeometry]:
    """Geometries of a GeoJSON or TopoJSON document, in degrees. Raises ValueError for anything else."""
    if raw.get("type") == "FeatureCollection":
        return [shape(feature["geometry"]) for feature in raw["features"] if feature.get("geometry")]
    if raw.get("type") == "Topology":
        arcs = list(_arcs(raw))
        first = next(iter(raw["objects"].values()))
        return [_topology_shape(item, arcs) for item in first["geometries"] if item.get("arcs")]
    raise ValueError(f"found type {raw.get('type')!r}; expected a GeoJSON FeatureCollection or a TopoJSON Topology")


def _arcs(raw: dict[str, Any]) -> Iterator[list[tuple[float, float]]]:
    """Arcs of a quantised topology as degrees (delta-coded, then scaled and shifted)."""
    (scale_x, scale_y), (shift_x, shift_y) = raw["transform"]["scale"], raw["transform"]["translate"]
    for arc in raw["arcs"]:
        x = y = 0
        points = []
        for step_x, step_y in arc:
            x, y = x + step_x, y + step_y
            points.append((x * scale_x + shift_x, y * scale_y + shift_y))
        yield points


def _topology_shape(item: dict[str, Any], arcs: list[list[tuple[float, float]]]) -> BaseGeometry:
    polygons = [item["arcs"]] if item["type"] == "Polygon" else item["arcs"]
    rings = [[_joined(ring, arcs) for ring in polygon] for polygon in polygons]
    return shape({"type": "MultiPolygon", "coordinates": rings})


def _joined(ring: list[int], arcs: list[list[tuple[float, float]]]) -> list[tuple[float, float]]:
    """A ring from its arcs; a negative number is the bitwise complement of an arc walked backwards."""
    points: list[tuple[float, float]] = []
    for number in ring:
        arc = arcs[number] if number >= 0 else arcs[~number][::-1]
        points += arc[1:] if points else arc
    return _unrolled(points)


def _unrolled(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """A ring across the antimeridian as one piece: longitudes run on past 180 degrees instead of jumping."""
    turned: list[tuple[float, float]] = []
    shift = 0.0
    for longitude, latitude in points:
        if turned and abs(longitude + shift - turned[-1][0]) > 180:
            shift += 360 if longitude + shift < turned[-1][0] else -360
        turned.append((longitude + shift, latitude))
    return turned


def _clean(country: BaseGeometry) -> BaseGeometry:
    """The country's polygons, repaired; lines and points that a repair leaves over are dropped."""
    valid = shapely.make_valid(country)
    parts = [p for p in shapely.get_parts(shapely.get_parts(valid)) if isinstance(p, Polygon)]
    return shapely.MultiPolygon(parts)


def rings_of(countries: list[BaseGeometry], tolerance_deg: float = _TOLERANCE_DEG) -> list[list[int]]:
    """Simplified outer rings, delta-coded whole numbers, largest first."""
    simple = shapely.coverage_simplify([_clean(c) for c in countries], tolerance_deg)
    polygons = [
        part
        for country in simple
        for part in getattr(country, "geoms", [country])
        if isinstance(part, Polygon) and part.area >= _LEAST_AREA_DEG2
    ]
    coded = []
    for polygon in sorted(polygons, key=lambda p: -p.area):
        points = [(round(x * PER_DEGREE), round(y * PER_DEGREE)) for x, y in polygon.exterior.coords[:-1]]
        unlike = [p for i, p in enumerate(points) if i == 0 or p != points[i - 1]]
        if len(unlike) < 3:
            continue
        flat = list(unlike[0])
        for (x0, y0), (x1, y1) in itertools.pairwise(unlike):
            flat += [x1 - x0, y1 - y0]
        coded.append(flat)
    return coded


def main(source: Path, target: Path) -> None:
    """Read countries, write outlines."""
    rings = rings_of(countries_of(json.loads(source.read_text(encoding="utf-8"))))
    made = {"source": "Natural Earth, public domain", "per_degree": PER_DEGREE, "rings": rings}
    target.write_text(json.dumps(made, separators=(",", ":")) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
