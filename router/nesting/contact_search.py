"""Few plates by exact contact: pieces stand where outlines meet, so that what was cut from a plate fills it again.

The grid search can not see a fit tighter than a cell. Here every position is a vertex of a no-fit region or a point
where its border meets the rim. Plates are filled one after the other by contact and chance; then some of them are
emptied and filled anew. For rectangular plates without keep-outs, without spacing, and outlines of few convex parts.
"""

from __future__ import annotations

import math
import random
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from router.nesting.contact_kernels import fill_plate
from router.nesting.convex_parts import convex_parts, ordered
from router.nesting.lattice_kernels import Floats, Longs, convex_sum
from router.nesting.mask import closed_rings
from router.nesting.placement import Placement
from router.nesting.plate import PlateSpec
from router.nesting.rect_kernels import State
from router.nesting.shape import Shape, turned

#: More rotations, or more convex sums of parts, and the tables cost more than they are worth.
_MOST_VARIANTS, _MOST_RINGS = 240, 60_000
#: Positions looked at for one piece.
_SPOTS = 8192
#: Outlines touch when they meet by less than this share of the plate's side.
_TOUCH_SHARE = 1e-7
_NOISES = (0.0, 0.03, 0.1, 0.25)
_BIGS = (1.0, 2.0, 0.5)
_FIT_NOISES, _FIT_BIGS = (0.0, 0.1, 0.25, 0.5, 1.0), (1.0, 2.0, 0.5, 4.0)

_Plate = tuple[Longs, Floats]
"""Pieces of every outline on it; rows of variant, x, y."""


def takes(spec: PlateSpec, demand: Sequence[tuple[Shape, int]]) -> bool:
    """Whether the contact search can work on this plate and these outlines."""
    if spec.round or spec.keep_outs or spec.spacing_mm > 0:
        return False
    shapes = {shape for shape, count in demand if count}
    if not 0 < sum(len(s.angles_deg) for s in shapes) <= _MOST_VARIANTS:
        return False
    vertices = sum(
        len(s.angles_deg) * len(ring) for s in shapes for outer, holes in s.polygons for ring in (outer, *holes)
    )
    if vertices * vertices > 64 * _MOST_RINGS:
        return False
    parts = sum(len(s.angles_deg) * len(_outline(s, s.angles_deg[0]).parts) for s in shapes)
    return parts * parts <= _MOST_RINGS


def contact_fit(
    spec: PlateSpec, pieces: Sequence[Shape], tries: int = 40, seed: int = 0
) -> tuple[Placement, ...] | None:
    """A layout of all pieces (copies given as often as they occur) in exact contact, or ``None`` when none was found.

    ``None`` is no proof; plates and outlines that :func:`takes` refuses always get it. The first try is greedy, the
    others leave ever more to chance. Tables are kept by content. Deterministic for a seed.
    """
    demand = list(Counter(pieces).items())
    if not demand:
        return ()
    if math.fsum(shape.area_mm2 for shape in pieces) > spec.usable_area_mm2 * (1 + 1e-9) or not takes(spec, demand):
        return None
    search = ContactSearch(spec, demand, seed)
    for number in range(tries):
        if search.fill_one(_FIT_NOISES[number % len(_FIT_NOISES)], _FIT_BIGS[number % len(_FIT_BIGS)]):
            return search.best[0]
    return None


class ContactSearch:
    """Anytime search; every :meth:`improve` fills some plates and says whether there are fewer now."""

    def __init__(self, spec: PlateSpec, demand: Sequence[tuple[Shape, int]], seed: int = 0) -> None:
        merged: dict[Shape, int] = {}
        for shape, count in demand:
            merged[shape] = merged.get(shape, 0) + count
        self.shapes = sorted((s for s, n in merged.items() if n), key=lambda s: (-s.area_mm2, s.key))
        self.spec = spec
        self._copies: Longs = np.array([merged[s] for s in self.shapes], dtype=np.int64)
        self._chance = random.Random(seed)
        self._state: State = np.array([(seed * 0x9E3779B97F4A7C15 + 0x2468ACE) % (1 << 64) or 1], dtype=np.uint64)
        self._touch = _TOUCH_SHARE * max(spec.width_mm, spec.depth_mm)
        self._turns = [(shape, angle) for shape in self.shapes for angle in shape.angles_deg]
        starts = np.cumsum([0, *(len(s.angles_deg) for s in self.shapes)])
        self._variants: Longs = np.column_stack((starts[:-1], starts[1:])).astype(np.int64)
        self._spots: Floats = np.empty((_SPOTS, 2))
        self._tables()
        self._plates: list[_Plate] = []

    def _tables(self) -> None:
        room = self.spec.usable_area_mm2
        outlines = [_outline(shape, angle) for shape, angle in self._turns]
        self._boxes: Floats = np.array([outline.box for outline in outlines])
        self._measures: Floats = np.array(
            [(shape.area_mm2 / room, o.length) for (shape, _), o in zip(self._turns, outlines, strict=True)]
        )
        self._edges: Floats = np.ascontiguousarray(np.concatenate([outline.edges for outline in outlines]))
        ends = np.cumsum([0, *(len(outline.edges) for outline in outlines)])
        self._spans: Longs = np.column_stack((ends[:-1], ends[1:])).astype(np.int64)
        n = len(self._turns)
        pairs = [_no_fit(*first, *second) for first in self._turns for second in self._turns]
        rings = np.cumsum([0, *(len(lengths) for _, lengths in pairs)])
        self._places: Longs = np.column_stack((rings[:-1], rings[1:])).astype(np.int64).reshape(n, n, 2)
        self._pool: Floats = np.ascontiguousarray(np.concatenate([rows for rows, _ in pairs]))
        ends = np.cumsum([0, *(length for _, lengths in pairs for length in lengths)])
        self._rings: Longs = np.column_stack((ends[:-1], ends[1:])).astype(np.int64)

    @property
    def best(self) -> list[tuple[Placement, ...]]:
        """Plates of the best answer; empty before the first :meth:`improve`."""
        margin = self.spec.edge_margin_mm
        plates: list[tuple[Placement, ...]] = []
        for _, stand in self._plates:
            places = []
            for v, x, y in stand.tolist():
                shape, angle = self._turns[int(v)]
                places.append(Placement(shape.key, margin + x, margin + y, angle))
            plates.append(tuple(places))
        return plates

    @property
    def count(self) -> int:
        """Plates of the best answer (0 before the first :meth:`improve`)."""
        return len(self._plates)

    def improve(self) -> bool:
        """All plates once, or the emptiest plate and a few others filled anew; kept when not worse."""
        if not self._plates:
            self._plates = self._filled(self._copies.copy(), 0.0, _BIGS[0], len(self._copies) * int(self._copies.max()))
            return True
        if len(self._plates) == 1:
            return False
        noise, big = self._chance.choice(_NOISES), self._chance.choice(_BIGS)
        loads = [self._load(plate) for plate in self._plates]
        out = {min(range(len(loads)), key=loads.__getitem__)}
        wanted = min(len(loads), self._chance.choice((2, 2, 3, 3, 4, 6)))
        # Plates that are full already are rarely worth taking apart.
        for b in sorted(range(len(loads)), key=lambda b: loads[b] * self._chance.uniform(0.6, 1.0)):
            if len(out) < wanted:
                out.add(b)
        pieces = np.sum([self._plates[b][0] for b in out], axis=0)
        fresh = self._filled(pieces, noise, big, len(out))
        if not fresh:
            return False
        fewer = len(fresh) < len(out)
        if fewer or math.fsum(self._load(p) ** 2 for p in fresh) >= math.fsum(loads[b] ** 2 for b in out):
            self._plates = [plate for b, plate in enumerate(self._plates) if b not in out] + fresh
        return fewer

    def fill_one(self, noise: float, big: float) -> bool:
        """One try to stand everything on a single plate, which is then the best answer."""
        plates = self._filled(self._copies.copy(), noise, big, 1)
        if plates:
            self._plates = plates
        return bool(plates)

    def _load(self, plate: _Plate) -> float:
        return float(self._measures[plate[1][:, 0].astype(np.int64), 0].sum())

    def _filled(self, left: Longs, noise: float, big: float, most: int) -> list[_Plate]:
        """Plates for all these pieces; empty when ``most`` do not suffice."""
        plates: list[_Plate] = []
        stand: Floats = np.empty((int(left.sum()), 3))
        while left.any():
            if len(plates) == most:
                return []
            before = left.copy()
            count = fill_plate(
                self.spec.usable_width_mm, self.spec.usable_depth_mm, left, self._variants, self._boxes,
                self._measures, self._edges, self._spans, self._places, self._rings, self._pool, noise, big,
                self._touch, self._state, self._spots, stand,
            )  # fmt: skip
            if not count:
                return []
            plates.append((before - left, stand[:count].copy()))
        return plates


@dataclass(frozen=True, slots=True, eq=False)
class _Outline:
    """One rotation: convex parts, edges (x0, y0, x1, y1), bounds and length of the outline."""

    parts: tuple[Floats, ...]
    edges: Floats
    box: Floats
    length: float


@lru_cache(maxsize=4096)
def _outline(shape: Shape, angle_deg: float) -> _Outline:
    rings = [turned(ring, angle_deg) for ring in closed_rings(shape.region())]
    points = np.concatenate(rings)
    edges = np.concatenate([np.hstack((ring[:-1], ring[1:])) for ring in rings])
    length = float(np.hypot(edges[:, 2] - edges[:, 0], edges[:, 3] - edges[:, 1]).sum())
    return _Outline(tuple(convex_parts(rings)), edges, np.concatenate((points.min(axis=0), points.max(axis=0))), length)


@lru_cache(maxsize=1 << 16)
def _no_fit(one: Shape, angle_deg: float, other: Shape, other_deg: float) -> tuple[Floats, tuple[int, ...]]:
    """Rings of the no-fit region of the other moving round the one, end to end, and their lengths."""
    first, second = _outline(one, angle_deg).parts, _outline(other, other_deg).parts
    rings = [_edged(a, ordered(-b)) for a in first for b in second]
    return np.concatenate(rings), tuple(len(ring) for ring in rings)


def _edged(a: Floats, b: Floats) -> Floats:
    """Minkowski sum of two convex rings as rows x, y, normal a, b, c of the edge beginning there."""
    out: Floats = np.empty((len(a) + len(b), 2))
    ring = out[: convex_sum(a, b, out)]
    along = np.roll(ring, -1, axis=0) - ring
    length = np.hypot(along[:, 0], along[:, 1])
    keep = length > 0
    ring, along, length = ring[keep], along[keep], length[keep]
    normal = np.column_stack((along[:, 1], -along[:, 0])) / length[:, None]
    return np.column_stack((ring, normal, (normal * ring).sum(axis=1)))
