"""Deep placing on one plate: all pieces at once, overlaps pushed apart (:mod:`router.nesting.separate_kernels`)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from router.nesting.grid import cell_size_mm, grid_of
from router.nesting.mask import blocked_runs_at, turned_runs
from router.nesting.placement import Placement
from router.nesting.plate import PlateSpec
from router.nesting.rect_kernels import State
from router.nesting.separate_kernels import Longs, Weights, separate
from router.nesting.shape import Shape

#: Pairs of pieces whose smaller one has this many cells weigh 1 at first; smaller ones more, larger ones less.
_REFERENCE_CELLS = 400.0
#: Usable side in cells the deep search works with at most; finer cells cost time, coarser ones room.
_DEEP_CELLS = 512


def deep_spec(spec: PlateSpec) -> PlateSpec:
    """The same plate at the cell size of the deep search: half the quick one where that stays below 512 cells."""
    if spec.resolution_mm > 0:
        return spec
    reach = max(spec.usable_width_mm, spec.usable_depth_mm)
    cell = cell_size_mm(spec)
    while reach / cell * 2 <= _DEEP_CELLS:
        cell /= 2
    return replace(spec, resolution_mm=cell)


@dataclass(frozen=True, slots=True)
class Stand:
    """One piece on the cell grid: shape number in its :class:`Yard`, rotation index, row and column of its corner."""

    shape: int
    turn: int
    row: int
    column: int


class Yard:
    """The cell tables of all shapes that may come on one kind of plate, and the search over one plate.

    ``fixed`` pieces stand exactly where they are and never move. Deterministic for a seed.
    """

    def __init__(
        self,
        spec: PlateSpec,
        shapes: Sequence[Shape],
        seed: int = 0,
        fixed: Sequence[Placement] = (),
        fixed_shapes: Mapping[str, Shape] | None = None,
    ) -> None:
        self.spec = spec
        self.shapes = tuple(shapes)
        self.grid = grid_of(spec)
        cell = self.grid.cell_mm
        own: list[np.ndarray[tuple[int, ...], np.dtype[np.int32]]] = []
        blocked: list[np.ndarray[tuple[int, ...], np.dtype[np.int32]]] = []
        rows: list[tuple[int, ...]] = []
        self._first: list[int] = []
        self._cells: list[int] = []
        self.corners: list[tuple[float, float]] = []
        own_at = blocked_at = 0
        for shape in self.shapes:
            self._first.append(len(rows))
            fewest = 1 << 40
            for turn in turned_runs(shape, spec.spacing_mm, cell):
                rows.append(
                    (
                        own_at,
                        own_at + len(turn.own),
                        blocked_at,
                        blocked_at + len(turn.blocked),
                        turn.rows,
                        turn.columns,
                    )
                )
                own_at += len(turn.own)
                blocked_at += len(turn.blocked)
                own.append(turn.own)
                blocked.append(turn.blocked)
                self.corners.append(turn.corner_mm)
                fewest = min(fewest, int((turn.own[:, 2] - turn.own[:, 1]).sum()))
            self._cells.append(fewest)
        self._first.append(len(rows))
        self._fixed: list[int] = []
        self.fixed_area_mm2 = 0.0
        known = {**{s.key: s for s in shapes}, **(fixed_shapes or {})}
        for place in fixed:
            if place.shape_key not in known:
                raise ValueError(f"no shape with key {place.shape_key} was given")
            shape = known[place.shape_key]
            runs, column, row = blocked_runs_at(
                shape,
                spec.spacing_mm,
                cell,
                place.x_mm - self.grid.x_mm,
                place.y_mm - self.grid.y_mm,
                place.angle_deg,
            )
            runs = runs + np.array([row, column, column], dtype=runs.dtype)
            self._fixed.append(len(rows))
            rows.append(
                (own_at, own_at, blocked_at, blocked_at + len(runs), int(runs[:, 0].max()) + 1, int(runs[:, 2].max()))
            )
            blocked_at += len(runs)
            blocked.append(runs)
            self.fixed_area_mm2 += shape.area_mm2
        empty = np.zeros((1, 3), dtype=np.int32)
        self._own = np.ascontiguousarray(np.concatenate([*own, empty]))
        self._blocked = np.ascontiguousarray(np.concatenate([*blocked, empty]))
        self._variants = np.array(rows or [(0,) * 6], dtype=np.int64)
        bits = self.grid.pyramid[:, 0, :].astype("<u8").view(np.uint8)
        self._barred = np.ascontiguousarray(np.unpackbits(bits, axis=1, bitorder="little")[:, : self.grid.columns])
        self._reach = math.ceil(spec.spacing_mm / cell) + 2
        self._state: State = np.array([(seed * 0x9E3779B97F4A7C15 + 0x7654321) % (1 << 64) or 1], dtype=np.uint64)

    def separate(
        self, standing: Sequence[Stand], extra: int = -1, sweeps: int = 60, patience: int = 20
    ) -> list[Stand] | None:
        """All these pieces and one more of shape number ``extra`` on the plate; ``None`` when the search gives up."""
        found, shared = self.attempt(standing, extra, sweeps, patience)
        return None if shared else found

    def attempt(
        self,
        standing: Sequence[Stand],
        extra: int = -1,
        sweeps: int = 60,
        patience: int = 20,
        weights: Weights | None = None,
    ) -> tuple[list[Stand], int]:
        """Like :meth:`separate`, with the last positions and the number of cells still shared (0: a good plate).

        With 0 sweeps only the extra piece looks for its place: the cells shared (each counted for both pieces)
        tell how far from fitting it is.
        ``weights`` (pieces, pieces) from :meth:`first_weights` live on from call to call of one long search.
        """
        if extra >= 0 and not self.stands_alone(extra):
            return [], 1 << 40
        numbers = [s.shape for s in standing] + ([extra] if extra >= 0 else [])
        n, fixed = len(numbers), len(self._fixed)
        pieces: Longs = np.ones((n + fixed, 3), dtype=np.int64)
        at: Longs = np.zeros((n + fixed, 3), dtype=np.int64)
        cells = np.full(n + fixed, 1 << 40, dtype=np.int64)
        for i, number in enumerate(numbers):
            pieces[i, 0], pieces[i, 1] = self._first[number], self._first[number + 1]
            cells[i] = self._cells[number]
        for i, stand in enumerate(standing):
            at[i] = self._first[stand.shape] + stand.turn, stand.row, stand.column
        if extra >= 0:
            at[n - 1] = self._first[extra], 0, 0
        for k, variant in enumerate(self._fixed):
            pieces[n + k] = variant, variant + 1, 0
            at[n + k] = variant, 0, 0
        base = _base_weights(cells)
        report = np.zeros(1, dtype=np.int64)
        separate(
            pieces,
            at,
            self._variants,
            self._own,
            self._blocked,
            self._barred,
            self._reach,
            base.copy() if weights is None else weights,
            base,
            n - 1 if extra >= 0 else -1,
            self._state,
            sweeps,
            patience,
            report,
        )
        first = self._first
        stands = [Stand(m, int(at[i, 0]) - first[m], int(at[i, 1]), int(at[i, 2])) for i, m in enumerate(numbers)]
        return stands, int(report[0])

    def first_weights(self, standing: Sequence[Stand]) -> Weights:
        """Starting weights of a search over these pieces and the fixed ones."""
        cells = [self._cells[s.shape] for s in standing] + [1 << 40] * len(self._fixed)
        return _base_weights(np.array(cells, dtype=np.int64))

    def cells_of(self, number: int) -> int:
        """Fewest cells a shape needs in any rotation."""
        return self._cells[number]

    def stands_alone(self, number: int) -> bool:
        """Whether some rotation of the shape is no larger than the grid."""
        rotations = self._variants[self._first[number] : self._first[number + 1]]
        return bool(((rotations[:, 4] <= self.grid.rows) & (rotations[:, 5] <= self.grid.columns)).any())

    def rows_of(self, stand: Stand) -> int:
        """Height of a piece in rows as it is turned."""
        return int(self._variants[self._first[stand.shape] + stand.turn, 4])

    def placement(self, stand: Stand) -> Placement:
        """Plate coordinates of a piece."""
        grid, shape = self.grid, self.shapes[stand.shape]
        corner = self.corners[self._first[stand.shape] + stand.turn]
        return Placement(
            shape.key,
            grid.x_mm + stand.column * grid.cell_mm - corner[0],
            grid.y_mm + stand.row * grid.cell_mm - corner[1],
            shape.angles_deg[stand.turn],
        )

    def stand(self, number: int, place: Placement) -> Stand | None:
        """Cells of a placement that lies on the grid; ``None`` for one between the cells."""
        grid, shape = self.grid, self.shapes[number]
        turn = shape.angles_deg.index(place.angle_deg)
        corner = self.corners[self._first[number] + turn]
        column = (place.x_mm + corner[0] - grid.x_mm) / grid.cell_mm
        row = (place.y_mm + corner[1] - grid.y_mm) / grid.cell_mm
        if abs(column - round(column)) > 1e-4 or abs(row - round(row)) > 1e-4:
            return None
        return Stand(number, turn, round(row), round(column))


def _base_weights(cells: Longs) -> Weights:
    """Pairs with a small piece weigh more: its overlap can never be many cells."""
    weights: Weights = np.clip(np.sqrt(_REFERENCE_CELLS / np.minimum(cells[:, None], cells[None, :])), 0.25, 4.0)
    return weights
