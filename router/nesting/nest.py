"""One plate being filled: where pieces stand and what is still free."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from router.nesting.grid import Grid, grid_of
from router.nesting.lone import lone_placement
from router.nesting.mask import Mask, blocked_runs_at, mask_of
from router.nesting.placement import Placement
from router.nesting.plate import PlateSpec
from router.nesting.raster import Table, Words, block_copies, block_runs, blocked_cells, place_copies
from router.nesting.shape import Shape

#: Touching share of the rim against relative height of the centroid, for snug placing (tuned on real outlines).
_SNUG_WEIGHT = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class _Copies:
    """Copies of one shape that a search placed, in order."""

    shape: Shape
    mask: Mask
    found: Table
    """(n, 3): rotation, row, column of each."""

    def __len__(self) -> int:
        return len(self.found)

    def block(self, pyramid: Words, columns: int) -> None:
        block_copies(pyramid, columns, self.mask.runs, self.mask.angles, self.found)

    def kept(self, keep: Sequence[int]) -> _Copies:
        return _Copies(self.shape, self.mask, self.found[np.array(keep, dtype=np.intp)])

    def placements(self, grid: Grid) -> list[Placement]:
        corners, angles, key = self.mask.corner_mm, self.shape.angles_deg, self.shape.key
        return [
            Placement(
                key,
                grid.x_mm + x * grid.cell_mm - corners[a][0],
                grid.y_mm + y * grid.cell_mm - corners[a][1],
                angles[a],
            )
            for a, y, x in self.found.tolist()
        ]


@dataclass(frozen=True, slots=True, eq=False)
class _Given:
    """A piece that was put where somebody said."""

    shape: Shape
    runs: Table
    column: int
    row: int
    """What it blocks: runs that count from this column and row."""
    placement: Placement

    def __len__(self) -> int:
        return 1

    def block(self, pyramid: Words, columns: int) -> None:
        block_runs(pyramid, columns, self.runs, 0, len(self.runs), self.column, self.row)

    def kept(self, keep: Sequence[int]) -> _Given:
        return self

    def placements(self, grid: Grid) -> list[Placement]:
        return [self.placement]


class Nest:
    """A plate with pieces on it. Adding is greedy and deterministic; copies share their bitmap until one changes.

    Positions lie on the plate's cell grid. The result is safe by construction (see :class:`router.nesting.mask.Mask`);
    :func:`router.nesting.confirm.confirm` checks it exactly and independently.
    """

    __slots__ = ("spec", "_grid", "_pyramid", "_own", "_groups", "_placements", "_left", "_area", "_free")

    def __init__(self, spec: PlateSpec) -> None:
        """Empty plate."""
        self.spec = spec
        self._grid = grid_of(spec)
        self._pyramid: Words | None = self._grid.pyramid
        self._own = False
        self._groups: tuple[_Copies | _Given, ...] = ()
        """What stands here, in the order it came; never changed in place, so that copies share it."""
        self._placements: list[Placement] | None = None
        """Where all pieces stand, once somebody asks: a search fills ten plates for each one it keeps."""
        self._left: dict[str, Table] = {}
        """By shape key what :func:`place_copies` knows of blocked places; never changed in place either."""
        self._area = 0.0
        self._free = self._grid.free_cells

    @property
    def placements(self) -> list[Placement]:
        """Where the pieces stand, in the order they came."""
        if self._placements is None:
            self._placements = [p for group in self._groups for p in group.placements(self._grid)]
        return self._placements

    @property
    def shapes(self) -> dict[str, Shape]:
        """The shapes that stand here, by key."""
        return {group.shape.key: group.shape for group in self._groups}

    def copy(self) -> Nest:
        """Independent copy; the bitmap is shared until either side changes."""
        self._drawn()
        return self._twin()

    def _twin(self) -> Nest:
        twin = Nest.__new__(Nest)
        twin.spec = self.spec
        twin._grid = self._grid
        twin._pyramid = self._pyramid
        twin._own = self._own = False
        twin._groups = self._groups
        twin._placements = None
        twin._left = self._left
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
            for group in self._groups:
                group.block(self._pyramid, self._grid.columns)
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
        self._left = {**self._left, shape.key: left}
        if not placed:
            return self._add_alone(shape, rotation)
        self._record(_Copies(shape, mask, found if placed == count else found[:placed].copy()))
        return placed

    def _add_alone(self, shape: Shape, rotation: int) -> int:
        """A piece that fills the plate may fit between the cells: try it exactly where the plate is still empty."""
        if self._groups:
            return 0
        place = lone_placement(self.spec, shape, rotation)
        if place is None:
            return 0
        self.put(shape, place)
        return 1

    def _record(self, group: _Copies | _Given) -> None:
        self._groups = (*self._groups, group)
        self._placements = None
        self._area += group.shape.area_mm2 * len(group)
        self._free = -1

    def put(self, shape: Shape, placement: Placement) -> None:
        """Stand a piece exactly there, without looking whether it fits (for plates nested elsewhere or running)."""
        if placement.shape_key != shape.key:
            raise ValueError(f"placement is of shape {placement.shape_key}, not {shape.key}")
        grid = self._grid
        runs, column, row = blocked_runs_at(
            shape,
            self.spec.spacing_mm,
            grid.cell_mm,
            placement.x_mm - grid.x_mm,
            placement.y_mm - grid.y_mm,
            placement.angle_deg,
        )
        group = _Given(shape, runs, column, row, placement)
        group.block(self._writable(), grid.columns)
        self._record(group)

    def remove(self, indices: Iterable[int]) -> None:
        """Take pieces off by their index in ``placements``; the others keep their order.

        Raises ``IndexError`` for an index that is not there, before anything changes.
        """
        gone = set(indices)
        many = sum(map(len, self._groups))
        for index in gone:
            if not 0 <= index < many:
                raise IndexError(f"no piece {index} on a plate of {many} pieces")
        if not gone:
            return
        first = 0
        left: list[_Copies | _Given] = []
        for group in self._groups:
            keep = [i for i in range(len(group)) if first + i not in gone]
            first += len(group)
            if keep:
                left.append(group if len(keep) == len(group) else group.kept(keep))
        self._groups = tuple(left)
        self._placements = None
        self._area = math.fsum(group.shape.area_mm2 for group in left for _ in range(len(group)))
        self._pyramid = None
        self._left = {}
        self._free = -1

    def take_off(self, pieces: Mapping[str, int]) -> None:
        """Take so many pieces of each shape off, by key, the last to come first; all there are where more are asked."""
        drop = dict(pieces)
        gone: list[int] = []
        end = sum(map(len, self._groups))
        for group in reversed(self._groups):
            off = min(drop.get(group.shape.key, 0), len(group))
            if off:
                drop[group.shape.key] -= off
                gone.extend(range(end - off, end))
            end -= len(group)
        self.remove(gone)

    def _free_cells(self) -> int:
        if self._free < 0:
            self._free = self._grid.rows * self._grid.columns - blocked_cells(self._drawn())
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
