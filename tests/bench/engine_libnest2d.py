"""libnest2d through its Python binding: the no-fit-polygon placer with two selections, and the bottom-left placer.

The no-fit-polygon placer is exact for convex outlines only, so it is run on convex hulls as well as on the outlines
themselves; a layout whose pieces overlap is thrown away here. Pieces and bin are dilated by half the spacing.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

import pynest2d as nest2d  # type: ignore[import-not-found]
from shapely import Polygon

from tests.bench.cases import Case
from tests.bench.forked import stream
from tests.bench.layout import Answer, Put, better, faults, value_of

#: libnest2d counts in whole numbers; the larger side of the bin gets about this many.
_COUNTS = 4_000_000
#: A round corner of a dilated outline: segments a quarter circle, radius enlarged so that the arcs lie outside.
_QUARTER = 4
#: Outlines of more vertices are thinned by this share of the bin's height (0.25 mm on a plate of 250 mm).
_MANY = 40
_THIN_SHARE = 0.001


@dataclass(frozen=True, slots=True)
class _Way:
    name: str
    placer: str
    hulls: bool
    align: str = "BOTTOM_LEFT"
    start: str = "BOTTOM_LEFT"
    accuracy: float | None = None


WAYS = (
    _Way("bottom-left hulls", "blp", True),
    _Way("nfp hulls, coarse", "nest", True, accuracy=0.1),
    _Way("nfp hulls", "nest", True),
    _Way("nfp outlines", "nest", False),
    _Way("bottom-left outlines", "blp", False),
    _Way("djd outlines", "djd", False),
    _Way("djd hulls", "djd", True),
    _Way("nfp hulls centred", "nest", True, "CENTER", "CENTER"),
    _Way("nfp outlines centred", "nest", False, "CENTER", "CENTER"),
    _Way("nfp hulls, not aligned", "nest", True, "DONT_ALIGN", "TOP_LEFT"),
)


def given(case: Case, number: int, hull: bool) -> Polygon:
    """Outer outline as the library gets it: grown by half the spacing, thinned outward where it has many vertices.

    Arcs lie on the outside, so the spacing is kept for certain. Unthinned, outlines of hundreds of vertices cost it
    minutes a plate.
    """
    outer = Polygon(case.types[number].outer)
    if hull or not outer.is_valid:
        outer = outer.convex_hull
    reach, thin = case.spacing / 2, 0.0
    if len(outer.exterior.coords) > _MANY:
        thin = _THIN_SHARE * case.height
    if reach + thin <= 0:
        return outer
    grown = outer.buffer((reach + thin) / math.cos(math.pi / (4 * _QUARTER)), quad_segs=_QUARTER)
    grown = grown.simplify(thin) if thin else grown
    return max(getattr(grown, "geoms", [grown]), key=lambda g: float(g.area))


def solve(case: Case, seconds: float, seed: int, end: float) -> Answer:
    """Best sound layout over all ways of using the library; for a strip the length is lowered step by step."""
    best: tuple[Put, ...] | None = None
    best_value = 0.0
    values: list[tuple[str, float]] = []
    refused = 0
    for way, room in _questions(case):
        if time.monotonic() >= end:
            break
        length = room
        while True:
            # The library's own stop signal leaves it spinning at times, so each call runs in a child that can be ended.
            call = partial(_send_run, case, way, length)
            puts = next(stream(call, end), None)
            if puts is None:
                break
            if faults(case, puts):
                refused += 1
                break
            value = value_of(case, puts)
            values.append((way.name, value))
            if best is None or better(case, value, best_value):
                best, best_value = puts, value
            if case.goal == "bins" or time.monotonic() >= end:
                break
            length = case.item_area / (case.height * best_value) * 0.99
    note = f"{len(values)} sound layouts, {refused} thrown away for overlaps" if refused else ""
    return Answer(best, None, note, tuple(values))


def _questions(case: Case) -> Iterator[tuple[_Way, float]]:
    if case.goal == "bins":
        yield from ((way, case.width) for way in WAYS)
        return
    for density in (0.5, 0.6, 0.7, 0.75, 0.8):
        yield from ((way, case.item_area / (case.height * density)) for way in WAYS)


def _send_run(case: Case, way: _Way, width: float, send: Callable[[tuple[Put, ...] | None], None]) -> None:
    send(_run(case, way, width))


def _run(case: Case, way: _Way, width: float) -> tuple[Put, ...] | None:
    """One call of the library; None when it left pieces out."""
    grow = case.spacing / 2
    w, h = width - 2 * case.margin + 2 * grow, case.height - 2 * case.margin + 2 * grow
    scale = _COUNTS / max(w, h)
    corner = case.margin - grow
    items, types = [], []
    for number, piece in enumerate(case.types):
        outline = given(case, number, way.hulls)
        for _ in range(piece.copies):
            items.append(nest2d.Item(_contour(outline, scale)))
            types.append(number)
    box = nest2d.Box(int(w * scale), int(h * scale), nest2d.Point(int(w * scale) // 2, int(h * scale) // 2))
    if way.placer == "blp":
        low = nest2d.BLConfig()
        low.allow_rotations = any(len(t.listed_angles()) > 1 for t in case.types)
        used = nest2d.nest_blp(items, box, 0, low)
    else:
        config = nest2d.NfpConfig()
        config.rotations = [math.radians(a) for a in _angles(case)]
        config.alignment = getattr(nest2d.Alignment, way.align)
        config.starting_point = getattr(nest2d.Alignment, way.start)
        config.explore_holes = True
        if way.accuracy is not None:
            config.accuracy = way.accuracy
        if way.placer == "djd":
            used = nest2d.nest_djd(items, box, 0, config, nest2d.DJDConfig())
        else:
            used = nest2d.nest(items, box, 0, config)
    if any(item.binId() < 0 for item in items) or (case.goal == "density" and used != 1):
        return None
    return tuple(
        Put(
            number,
            item.binId(),
            corner + item.translation().x() / scale,
            corner + item.translation().y() / scale,
            math.degrees(item.rotation()) % 360.0,
        )
        for number, item in zip(types, items, strict=True)
    )


def _angles(case: Case) -> Sequence[float]:
    """The library takes one list for all pieces: the angles every piece allows."""
    common = set(case.types[0].listed_angles())
    for piece in case.types:
        common &= set(piece.listed_angles())
    return sorted(common) or [0.0]


def _contour(outline: Polygon, scale: float) -> list[nest2d.Point]:
    """Clockwise and closed, as the library wants it."""
    ring = list(outline.exterior.coords)
    if outline.exterior.is_ccw:
        ring.reverse()
    return [nest2d.Point(round(x * scale), round(y * scale)) for x, y in ring]
