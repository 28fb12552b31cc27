"""The project's own nesting engine, asked through its public functions."""

from __future__ import annotations

import time

from router.kernel.run import TimeLimit
from router.nesting import PlateSpec, Shape, clear_caches
from router.nesting.fewest_plates import fewest_plates
from router.nesting.strip import pack_strip
from tests.bench.cases import Case, PieceType
from tests.bench.layout import Answer, Put

_RECTANGLE = ((0.0, 0.0), (20.0, 0.0), (20.0, 10.0), (0.0, 10.0))
_ELL = ((0.0, 0.0), (20.0, 0.0), (20.0, 5.0), (5.0, 5.0), (5.0, 20.0), (0.0, 20.0))


def warm_up() -> None:
    """Load the compiled kernels, which is done once an installation and not part of any answer."""
    for outer in (_RECTANGLE, _ELL):
        types = (PieceType(outer, (), 12, (0.0, 90.0)),)
        case = Case("warm", "", "bins", 50.0, 50.0, 0.0, 1.0, types, None, None)
        solve(case, 0.5, 0, time.monotonic() + 0.5)
    pack_strip(50.0, [(Shape.make([(_ELL, ())], (0.0, 90.0)), 4)], TimeLimit(0.3), 0, 0.3, engine="own")


def solve(case: Case, seconds: float, seed: int, end: float, engine: str = "") -> Answer:
    """Fewest plates, or the shortest strip; ``engine`` as for :func:`pack_strip`."""
    clear_caches()
    shapes = [Shape.make([(t.outer, t.holes)], t.listed_angles()) for t in case.types]
    # Equal outlines are one shape to the engine; the pieces are handed out to their types afterwards.
    merged: dict[Shape, list[int]] = {}
    for number, shape in enumerate(shapes):
        merged.setdefault(shape, []).extend([number] * case.types[number].copies)
    demand = [(shape, len(numbers)) for shape, numbers in merged.items()]
    by_key = {shape.key: numbers for shape, numbers in merged.items()}
    left = end - time.monotonic()
    if case.goal == "density":
        free = {shape.key for shape, piece in zip(shapes, case.types, strict=True) if piece.angles is None}
        found = pack_strip(
            case.height, demand, TimeLimit(left), seed, left, case.spacing, engine=engine, any_angle=free
        )
        plates, bound, note = [found.placements], None, f"engine {found.engine}, {found.reason}"
    else:
        spec = PlateSpec(case.width, case.height, edge_margin_mm=case.margin, spacing_mm=case.spacing)
        result = fewest_plates(spec, demand, TimeLimit(left), seed)
        plates, bound, note = list(result.plates), float(result.bound), f"{result.reason}, {result.work} work units"
    puts = tuple(
        Put(by_key[p.shape_key].pop(), number, p.x_mm, p.y_mm, p.angle_deg)
        for number, plate in enumerate(plates)
        for p in plate
    )
    return Answer(puts, bound, note)
