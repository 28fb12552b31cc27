"""One plate being filled: where pieces stand and what is still free."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from router.nesting.grid import grid_of
from router.nesting.lone import lone_placement
from router.nesting.mask import Mask, blocked_runs_at, mask_of
from router.nesting.placement import Placement
from router.nesting.plate import PlateSpec
from router.nesting.raster import Table, Words, block_runs, place_copies
from router.nesting.shape import Shape

#: Touching share of the rim against relative height of the centroid, for snug placing (tuned on real outlines).
_SNUG_WEIGHT = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class _Standing:
    """What a piece blocks, kept to rebuild the plate after a removal."""

    runs: Table
    first: int
    last: int
    x: int
    y: int


class Nest:
    """A plate with pieces on it. Adding is greedy and deterministic; copies share their bitmap until one changes.

    Positions lie on the plate's cell grid. The result is safe by construction (see :class:`router.nesting.mask.Mask`);
    :func:`router.nesting.confirm.confirm` checks it exactly and independently.
    """

    __slots__ = (
        "spec",
        "shapes",
        "_grid",
        "_pyramid",
        "_own",
        "_placed",
        "_standing",
        "_unwritten",
        "_left",
        "_area",
        "_free",
    )

    def __init__(self, spec: PlateSpec) -> None:
        """Empty plate."""
        self.spec = spec
        self.shapes: dict[str, Shape] = {}
        self._grid = grid_of(spec)
        self._pyramid: Words | None = self._grid.pyramid
        self._own = False
        self._placed: list[Placement] = []
        self._standing: list[_Standing] = []
        self._unwritten: list[tuple[Shape, Mask, list[list[int]]]] = []
        """Copies on the plate after those of ``_placed``, as the kernel gave them. A search fills ten plates for each
        one it keeps: where all their pieces stand is written out only when somebody asks."""
        self._left: dict[str, Table] = {}
        self._area = 0.0
        self._free = self._grid.free_cells

    @property
    def placements(self) -> list[Placement]:
        """Where the pieces stand, in the order they came."""
        if self._unwritten:
            self._write_out()
        return self._placed

    def copy(self) -> Nest:
        """Independent copy; the bitmap is shared until either side changes."""
        self._drawn()
        return self._twin()

    def _twin(self) -> Nest:
        twin = Nest.__new__(Nest)
        twin.spec = self.spec
        twin._placed = self._placed.copy()
        twin._unwritten = self._unwritten.copy()
        twin.shapes = self.shapes.copy()
        twin._grid = self._grid
        twin._pyramid = self._pyramid
        twin._own = self._own = False
        twin._standing = self._standing.copy()
        twin._left = self._left.copy()
        twin._area = self._area
        twin._free = self._free
        return twin

    def lean(self) -> Nest:
        """A copy without its bitmap, to be remembered by the thousand; the bitmap is drawn again when it is needed."""
        twin = self._twin()
        twin._pyramid = None
        twin._left = {}
        return twin

    def _drawn(self) -> Words:
        """The bitmap, drawn again when it is not there."""
        if self._pyramid is None:
            self._pyramid = self._grid.pyramid.copy()
            for s in self._standing:
                block_runs(self._pyramid, self._grid.columns, s.runs, s.first, s.last, s.x, s.y)
            for _, mask, found in self._unwritten:
                for a, y, x in found:
                    angle = mask.angles[a]
                    block_runs(self._pyramid, self._grid.columns, mask.runs, angle[2], angle[3], x, y)
            self._own = True
        return self._pyramid

    def _writable(self) -> Words:
        pyramid = self._drawn()
        if not self._own:
            pyramid = self._pyramid = pyramid.copy()
            self._own = True
        return pyramid

    def add(self, shape: Shape, count: int = 1, snug: bool = False, rotation: int = -1, skip_mm: float = 0.0) -> int:
        """Place up to ``count`` copies in free room; returns how many stand now that did not before.

        ``snug`` seeks the place that touches most instead of the lowest one: several times slower, fuller plates.
        ``rotation`` restricts the search to one index into ``shape.angles_deg`` (-1: all). ``skip_mm`` leaves a strip
        along the front free: on a round plate rows that start higher may be longer.
        """
        if count <= 0:
            return 0
        mask = mask_of(shape, self.spec.spacing_mm, self._grid.cell_mm)
        count = min(count, self._free_cells() // mask.fewest_cells)
        if count <= 0:
            return self._add_alone(shape, rotation)
        left = self._left.get(shape.key)
        left = np.zeros((len(mask.angles), self._grid.rows), dtype=np.int32) if left is None else left.copy()
        skipped = int(skip_mm / self._grid.cell_mm)
        if skipped:
            kept = left
            left = left.copy()
            left[:, :skipped] = self._grid.columns
        found = np.empty((count, 3), dtype=np.int32)
        weight = _SNUG_WEIGHT if snug else 0.0
        placed = place_copies(
            self._writable(),
            self._grid.columns,
            mask.tests,
            mask.runs,
            mask.rim,
            mask.angles,
            left,
            found,
            rotation,
            weight,
        )
        if skipped:
            left[:, :skipped] = kept[:, :skipped]
        self._left[shape.key] = left
        if not placed:
            return self._add_alone(shape, rotation)
        self._record(shape, mask, found[:placed].tolist())
        return placed

    def _add_alone(self, shape: Shape, rotation: int) -> int:
        """A piece that fills the plate may fit between the cells: try it exactly where the plate is still empty."""
        if self._placed or self._unwritten:
            return 0
        place = lone_placement(self.spec, shape, rotation)
        if place is None:
            return 0
        self.put(shape, place)
        return 1

    def _record(self, shape: Shape, mask: Mask, found: list[list[int]]) -> None:
        self._unwritten.append((shape, mask, found))
        self.shapes[shape.key] = shape
        self._area += shape.area_mm2 * len(found)
        self._free = -1

    def _write_out(self) -> None:
        grid = self._grid
        for shape, mask, found in self._unwritten:
            angles = mask.angles.tolist()
            for a, y, x in found:
                corner = mask.corner_mm[a]
                self._placed.append(
                    Placement(
                        shape.key,
                        grid.x_mm + x * grid.cell_mm - corner[0],
                        grid.y_mm + y * grid.cell_mm - corner[1],
                        shape.angles_deg[a],
                    )
                )
                self._standing.append(_Standing(mask.runs, angles[a][2], angles[a][3], x, y))
        self._unwritten = []

    def put(self, shape: Shape, placement: Placement) -> None:
        """Stand a piece exactly there, without looking whether it fits (for plates nested elsewhere or running)."""
        if placement.shape_key != shape.key:
            raise ValueError(f"placement is of shape {placement.shape_key}, not {shape.key}")
        grid = self._grid
        runs = blocked_runs_at(
            shape,
            self.spec.spacing_mm,
            grid.cell_mm,
            placement.x_mm - grid.x_mm,
            placement.y_mm - grid.y_mm,
            placement.angle_deg,
        )
        block_runs(self._writable(), grid.columns, runs, 0, len(runs), 0, 0)
        self.placements.append(placement)  # asking for them writes out what came before
        self._standing.append(_Standing(runs, 0, len(runs), 0, 0))
        self.shapes[shape.key] = shape
        self._area += shape.area_mm2
        self._free = -1

    def remove(self, indices: Iterable[int]) -> None:
        """Take pieces off by their index in ``placements``; the others keep their order.

        Raises ``IndexError`` for an index that is not there, before anything changes.
        """
        gone = set(indices)
        for index in gone:
            if not 0 <= index < len(self.placements):
                raise IndexError(f"no piece {index} on a plate of {len(self.placements)} pieces")
        if not gone:
            return
        keep = [i for i in range(len(self.placements)) if i not in gone]
        self._placed = [self._placed[i] for i in keep]
        self._standing = [self._standing[i] for i in keep]
        used = {p.shape_key for p in self._placed}
        self.shapes = {key: shape for key, shape in self.shapes.items() if key in used}
        self._area = math.fsum(self.shapes[p.shape_key].area_mm2 for p in self._placed)
        self._pyramid = None
        self._left = {}
        self._free = -1

    def _free_cells(self) -> int:
        if self._free < 0:
            blocked = int(np.bitwise_count(self._drawn()[:, 0, :]).sum())
            self._free = self._grid.rows * self._grid.columns - blocked
        return self._free

    @property
    def net_area_mm2(self) -> float:
        """Sum of the areas of the pieces."""
        return self._area

    @property
    def fill(self) -> float:
        """Net area of the pieces over the usable area."""
        return self._area / self.spec.usable_area_mm2

    @property
    def free_area_mm2(self) -> float:
        """Area of the cells in which a piece may still stand (outside every dilated piece)."""
        return self._free_cells() * self._grid.cell_mm**2

    @staticmethod
    def of(spec: PlateSpec, shapes: Mapping[str, Shape], placements: Iterable[Placement]) -> Nest:
        """Plate with given pieces already standing."""
        nest = Nest(spec)
        for placement in placements:
            if placement.shape_key not in shapes:
                raise ValueError(f"no shape with key {placement.shape_key} was given")
            nest.put(shapes[placement.shape_key], placement)
        return nest
