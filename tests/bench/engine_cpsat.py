"""CP-SAT with AddNoOverlap2D: rectangles only, small cases, exact when it finishes."""

from __future__ import annotations

import math
import time

from ortools.sat.python import cp_model

from tests.bench.cases import Case
from tests.bench.layout import Answer, Put

#: Above this many pieces the model is not built: it no longer finds anything useful within seconds.
MOST_PIECES = 40
_UNITS = 1000


def fits(case: Case) -> bool:
    """Whether this engine answers the case at all."""
    return case.rectangles and case.pieces <= MOST_PIECES


def solve(case: Case, seconds: float, seed: int, end: float) -> Answer:
    """Bins side by side on one long line, no piece across a border; or the shortest strip."""
    scale = 1 if all(float(v).is_integer() for t in case.types for v in t.size or ()) else _UNITS
    sides = [
        (number, round(size[0] * scale), round(size[1] * scale))
        for number, size in ((i, t.size) for i, t in enumerate(case.types) for _ in range(t.copies))
        if size is not None
    ]
    height = math.floor(case.height * scale + 1e-9)
    strip = math.isinf(case.width)
    width = sum(max(w, h) for _, w, h in sides) if strip else math.floor(case.width * scale + 1e-9)
    bins = 1 if strip else _first_fit(sides, width, height)
    model = cp_model.CpModel()
    horizontal, vertical, starts = [], [], []
    last = model.new_int_var(0, width if strip else bins - 1, "last")
    for number, w, h in sides:
        turned = model.new_bool_var("turned")
        wide, tall = model.new_int_var(min(w, h), max(w, h), "wide"), model.new_int_var(min(w, h), max(w, h), "tall")
        model.add(wide == w + (h - w) * turned)
        model.add(tall == h + (w - h) * turned)
        x, y = model.new_int_var(0, width * bins, "x"), model.new_int_var(0, height, "y")
        inner = model.new_int_var(0, width, "inner")
        bin_number = model.new_int_var(0, bins - 1, "bin")
        model.add(x == inner + width * bin_number)
        model.add(inner + wide <= width)
        model.add(y + tall <= height)
        model.add(last >= (inner + wide if strip else bin_number))
        end_x, end_y = model.new_int_var(0, width * bins, "end_x"), model.new_int_var(0, height, "end_y")
        horizontal.append(model.new_interval_var(x, wide, end_x, "h"))
        vertical.append(model.new_interval_var(y, tall, end_y, "v"))
        starts.append((number, turned, bin_number, inner, y))
    model.add_no_overlap_2d(horizontal, vertical)
    area = sum(w * h for _, w, h in sides)
    model.add(last >= (math.ceil(area / height) if strip else math.ceil(area / (width * height)) - 1))
    model.minimize(last)
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = max(0.05, end - time.monotonic())
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = seed
    status = solver.solve(model)
    bound = solver.best_objective_bound
    proved = case.item_area * scale / (case.height * bound) if strip and bound > 0 else bound + 1
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Answer(None, proved, solver.status_name(status))
    puts = tuple(
        Put(
            number,
            solver.value(bin_number),
            (solver.value(inner) + (sides[i][2] if solver.value(turned) else 0)) / scale,
            solver.value(y) / scale,
            90.0 if solver.value(turned) else 0.0,
        )
        for i, (number, turned, bin_number, inner, y) in enumerate(starts)
    )
    return Answer(puts, proved, solver.status_name(status))


def _first_fit(sides: list[tuple[int, int, int]], width: int, height: int) -> int:
    """Bins that surely suffice: pieces turned flat where they can, on shelves, first fit by decreasing height."""
    shelves: list[list[int]] = []  # bin, room left in x, shelf height
    tops: list[int] = []
    flat = sorted((_lying(w, h, width, height) for _, w, h in sides), key=lambda b: -b[1])
    for w, h in flat:
        shelf = next((s for s in shelves if s[1] >= w and s[2] >= h), None)
        if shelf is None:
            number = next((b for b, top in enumerate(tops) if top + h <= height), len(tops))
            if number == len(tops):
                tops.append(0)
            tops[number] += h
            shelf = [number, width, h]
            shelves.append(shelf)
        shelf[1] -= w
    return len(tops)


def _lying(w: int, h: int, width: int, height: int) -> tuple[int, int]:
    low, high = min(w, h), max(w, h)
    return (high, low) if high <= width and low <= height else (low, high)
