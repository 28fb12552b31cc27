"""Benchmark cases, read from any of the six file formats. The format is told by content, never by name."""

from __future__ import annotations

import gzip
import json
import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from shapely import MultiPolygon, Polygon, make_valid
from shapely.affinity import rotate
from shapely.geometry.base import BaseGeometry

Ring = tuple[tuple[float, float], ...]
Goal = Literal["bins", "density"]

REAL_MACHINES = (0, 1, 2)
REAL_SPACING_MM = 2.0
REAL_MARGIN_MM = 5.0
RIGHT_ANGLES = (0.0, 90.0, 180.0, 270.0)
#: A free piece may take any angle; engines that need a list get these steps.
FREE_STEPS = 24


@dataclass(frozen=True, slots=True)
class PieceType:
    """Copies of one outline. ``angles`` None: any. ``size``, for rectangles: (width, height), corner at (0, 0)."""

    outer: Ring
    holes: tuple[Ring, ...]
    copies: int
    angles: tuple[float, ...] | None
    size: tuple[float, float] | None = None

    def region(self) -> BaseGeometry:
        """The outline with its holes."""
        whole = Polygon(self.outer, self.holes)
        if whole.is_valid:
            return whole
        faces = [g for g in getattr(make_valid(whole), "geoms", ()) if isinstance(g, Polygon | MultiPolygon)]
        return max(faces, key=lambda g: float(g.area))

    def listed_angles(self) -> tuple[float, ...]:
        """Angles in degrees for an engine that needs a list."""
        return self.angles if self.angles is not None else tuple(360.0 * k / FREE_STEPS for k in range(FREE_STEPS))


@dataclass(frozen=True, slots=True)
class Case:
    """One question: fewest bins of ``width`` x ``height``, or the shortest strip of fixed ``height``.

    Pieces keep ``margin`` off the bin's edge and ``spacing`` off each other. ``best_known`` and ``bound`` are in the
    unit of ``goal`` (bins: bound from below; density: bound from above).
    """

    name: str
    family: str
    goal: Goal
    width: float
    height: float
    margin: float
    spacing: float
    types: tuple[PieceType, ...]
    best_known: float | None
    bound: float | None
    note: str = ""

    @property
    def rectangles(self) -> bool:
        """Whether every piece is a rectangle."""
        return all(t.size is not None for t in self.types)

    @property
    def pieces(self) -> int:
        """Number of pieces, copies counted."""
        return sum(t.copies for t in self.types)

    @property
    def item_area(self) -> float:
        """Net area of all pieces."""
        return math.fsum(t.copies * float(t.region().area) for t in self.types)


def read_cases(path: Path, task: str = "all") -> list[Case]:
    """All cases of a file, plain or gzip, JSON or one record a line. A part of a file is read as what it is.

    ``task`` "bins" or "density" keeps one goal (perfect rectangle sets ask both). Raises ``ValueError`` naming the
    record that fits none of the formats.
    """
    cases: list[Case] = []
    for number, record in enumerate(_records(path), start=1):
        try:
            cases.extend(_cases_of(record))
        except (KeyError, TypeError, IndexError) as wrong:
            raise ValueError(f"{path.name}, record {number}: none of the benchmark formats ({wrong!r})") from wrong
    # Bins first: otherwise an even spread over a file that asks both about each set could meet only one of them.
    return sorted((c for c in cases if task in ("all", c.goal)), key=lambda c: c.goal)


def spread(cases: Sequence[Case], limit: int | None) -> list[Case]:
    """At most ``limit`` cases, evenly spread over the sequence."""
    if limit is None or limit >= len(cases):
        return list(cases)
    return [cases[(2 * k + 1) * len(cases) // (2 * limit)] for k in range(limit)]


def _records(path: Path) -> Iterator[Any]:
    raw = path.read_bytes()
    text = (gzip.decompress(raw) if raw[:2] == b"\x1f\x8b" else raw).decode()
    try:
        whole = json.loads(text)
    except json.JSONDecodeError:
        for line in text.splitlines():
            if line.strip():
                yield json.loads(line)
        return
    yield from whole if isinstance(whole, list) else [whole]


def _cases_of(record: dict[str, Any]) -> Iterator[Case]:
    if "projections" in record:
        yield from _real(record)
    elif "strip_height" in record:
        yield _poly_strip(record)
    elif "optimal_strip_height" in record:
        yield from _rect_perfect(record)
    elif "polygon" in record["items"][0]:
        yield _poly_bins(record)
    else:
        yield _rect_bins(record)


def _boxes(items: Sequence[Sequence[float]]) -> tuple[PieceType, ...]:
    return tuple(
        PieceType(((0, 0), (w, 0), (w, h), (0, h)), (), int(qty), (0.0, 90.0), (float(w), float(h)))
        for w, h, qty in items
    )


def _polygons(items: Sequence[dict[str, Any]]) -> tuple[PieceType, ...]:
    return tuple(
        PieceType(
            tuple((float(x), float(y)) for x, y in item["polygon"]),
            (),
            int(item["qty"]),
            None if item["rotations"] is None else tuple(float(a) % 360.0 for a in item["rotations"]),
        )
        for item in items
    )


def _rect_bins(r: dict[str, Any]) -> Case:
    w, h = r["bin"]
    best = r.get("allow_rotation_best_known")
    types = _boxes(r["items"])
    bound = r.get("area_lower_bound") or _area_bins(types, w * h)
    return Case(r["name"], f"rectangles class {r['class']}", "bins", w, h, 0.0, 0.0, types, best, bound)


def _rect_perfect(r: dict[str, Any]) -> Iterator[Case]:
    w, h = r["bin"]
    types = _boxes(r["items"])
    yield Case(r["name"], f"perfect {r['set']}", "bins", w, h, 0.0, 0.0, types, r["allow_rotation_best_known_bins"], 1)
    # The published strip is a column of fixed width; turned by 90 degrees it is a strip of fixed height.
    best = r["item_area"] / (r["strip_width"] * r["optimal_strip_height"])
    family = f"perfect strip {r['set']}"
    yield Case(r["name"] + "/strip", family, "density", math.inf, r["strip_width"], 0.0, 0.0, types, best, 1.0)


def _poly_strip(r: dict[str, Any]) -> Case:
    known = r.get("best_known") or {}
    percent = known.get("density_pct", known.get("density_pct_at_least"))
    family = "polygon strips, large" if r["name"].startswith("gardeyn") else "polygon strips"
    if any(item["rotations"] is None for item in r["items"]):
        family += ", any angle"
    best = None if percent is None else percent / 100.0
    return Case(r["name"], family, "density", math.inf, r["strip_height"], 0.0, 0.0, _polygons(r["items"]), best, 1.0)


def _poly_bins(r: dict[str, Any]) -> Case:
    w, h = r["bin"]
    types = _polygons(r["items"])
    bound = r.get("area_lower_bound") or _area_bins(types, w * h)
    best = (r.get("best_known") or {}).get("bins")
    family = f"polygon bins {r.get('set', '')} {r.get('class', '')}".strip()
    return Case(r["name"], family, "bins", w, h, 0.0, 0.0, types, best, bound)


def _real(r: dict[str, Any]) -> Iterator[Case]:
    for entry in r["instances"]:
        counted = Counter(entry["parts"])
        for number in REAL_MACHINES:
            if number >= len(r["machines"]):
                continue
            machine = r["machines"][number]
            w, h = machine["plate_x_mm"], machine["plate_y_mm"]
            room = (w - 2 * REAL_MARGIN_MM, h - 2 * REAL_MARGIN_MM)
            kept: list[PieceType] = []
            left_out = 0
            for part, copies in counted.items():
                rings = [tuple((float(x), float(y)) for x, y in ring) for ring in r["projections"][part]]
                piece = PieceType(rings[0], tuple(rings[1:]), copies, RIGHT_ANGLES)
                if r["parts"][part]["height_mm"] > machine["height_mm"] or not _fits(piece, room):
                    left_out += copies
                else:
                    kept.append(piece)
            if not kept:
                continue
            note = f"{left_out} pieces left out for every engine: they fit the machine in no right-angle turn"
            case = Case(
                name=f"{entry['name']}/machine{number}",
                family=f"real outlines, machine {number}",
                goal="bins",
                width=w,
                height=h,
                margin=REAL_MARGIN_MM,
                spacing=REAL_SPACING_MM,
                types=tuple(kept),
                best_known=None,
                bound=None,
                note=note if left_out else "",
            )
            yield replace(case, bound=_spaced_bound(case))


def _fits(piece: PieceType, room: tuple[float, float]) -> bool:
    for angle in piece.listed_angles():
        x0, y0, x1, y1 = rotate(Polygon(piece.outer), angle, origin=(0, 0)).bounds
        if x1 - x0 <= room[0] + 1e-6 and y1 - y0 <= room[1] + 1e-6:
            return True
    return False


def _area_bins(types: Sequence[PieceType], bin_area: float) -> int:
    return math.ceil(math.fsum(t.copies * float(t.region().area) for t in types) / bin_area - 1e-9)


def _spaced_bound(case: Case) -> int:
    """Pieces dilated by half the spacing are disjoint inside the room dilated by half the spacing (area bound)."""
    half = case.spacing / 2
    room = Polygon([(0, 0), (case.width, 0), (case.width, case.height), (0, case.height)]).buffer(-case.margin)
    each = [(t.copies, float(t.region().buffer(half, quad_segs=8).area)) for t in case.types]
    return math.ceil(math.fsum(n * a for n, a in each) / float(room.buffer(half, quad_segs=64).area) - 1e-6)
