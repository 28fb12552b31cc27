"""Strip packing: all pieces in a strip of fixed height, as short as possible.

Two engines. Outlines without holes go to ``spyrrow``, a general-purpose open-source strip packer; our own greedy
layout is made beside it and the shorter one counts. Lists with holes, long lists with many rotations, and everything
when that library is missing go to our own search: the strip is shortened step by step and overlaps are pushed apart
on the cell grid. The result says which engine it came from.
"""

from __future__ import annotations

import importlib
import math
import threading
import time
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from shapely import Polygon

from router.kernel.run import Listener, Progress, Silent, Stop
from router.nesting.nest import Nest
from router.nesting.placement import Placement
from router.nesting.plate import PlateSpec
from router.nesting.separate import Stand, Yard
from router.nesting.shape import Shape, turned

_STRIP_CELLS = 400
_SHORTEN = 0.04
_SHORTEN_LEAST = 0.0015
_SWEEPS, _PATIENCE = 120, 40
_POLL_S = 0.05
#: From so many pieces with so many rotations in all our own search is ahead in 5 to 10 s (measured on swim_c and the
#: gardeyn sets with any angle, as 24 steps).
_MANY_PIECES, _MANY_TURNS = 40, 400
#: The library may overrun its time by this much before its best layout so far is taken.
_GRACE_S = 0.2
#: Pieces times sweeps of one slice of the own search between two looks at the clock.
_SLICE_PIECES = 200


@dataclass(frozen=True, slots=True)
class StripResult:
    """Strip from x = 0 to ``length`` and y = 0 to the asked height. ``engine``: ``spyrrow`` or ``own``."""

    length: float
    placements: tuple[Placement, ...]
    engine: str
    reason: str


def pack_strip(
    height: float,
    demand: Sequence[tuple[Shape, int]],
    stop: Stop,
    seed: int = 0,
    seconds: float = 10.0,
    spacing: float = 0.0,
    listener: Listener | None = None,
    engine: str = "",
    workers: int = 1,
    any_angle: Collection[str] = (),
) -> StripResult:
    """All pieces of the demand in a strip of this height, as short as found until ``stop`` speaks or time is used up.

    ``seconds``: wall-clock budget of the whole call (the spyrrow library must know its time beforehand and counts
    whole seconds, at least one). ``any_angle``: keys of shapes that may turn freely; the library then uses angles
    outside ``shape.angles_deg``, our own search only those listed. ``engine`` forces ``own`` or ``spyrrow``. Raises
    ``ValueError`` for a piece higher than the strip in every rotation, a negative count, or spyrrow asked for outlines
    with holes.
    """
    listener = listener or Silent()
    pieces = [(shape, count) for shape, count in demand if count]
    if any(count < 0 for _, count in pieces):
        raise ValueError("a demand of less than 0 pieces is not possible")
    for shape, _ in pieces:
        lowest = min(np.ptp(_turned_points(shape, a)[:, 1]) for a in shape.angles_deg)
        if lowest > height * (1 + 1e-9):
            raise ValueError(f"shape {shape.key} is {lowest:g} high at least, the strip only {height:g}")
    if not pieces:
        return StripResult(0.0, (), "own", "nothing to place")
    plain = all(len(s.polygons) == 1 and not s.polygons[0][1] for s, _ in pieces)
    turns = sum(count * len(shape.angles_deg) for shape, count in pieces)
    own_ground = sum(count for _, count in pieces) >= _MANY_PIECES and turns >= _MANY_TURNS
    own_ground = own_ground and not any_angle
    library = _library() if (plain and not own_ground) or engine == "spyrrow" else None
    if engine == "spyrrow" and (library is None or not plain):
        raise ValueError("spyrrow is not installed or an outline has holes or several parts, which it cannot take")
    listener.phase("strip", None)
    if library is not None and engine != "own":
        return _by_library(
            library, height, pieces, stop, seed, seconds, spacing, listener, workers, bool(engine), any_angle
        )
    return _own(height, pieces, stop, seed, seconds, spacing, listener)


def _library() -> Any | None:
    try:
        return importlib.import_module("spyrrow")
    except ImportError:
        return None


def _turned_points(shape: Shape, angle_deg: float) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    points = np.array([vertex for outer, _ in shape.polygons for vertex in outer])
    return turned(points, angle_deg)


def _length(pieces: Sequence[tuple[Shape, int]], places: Sequence[Placement]) -> float:
    shapes = {shape.key: shape for shape, _ in pieces}
    return max(float(_turned_points(shapes[p.shape_key], p.angle_deg)[:, 0].max()) + p.x_mm for p in places)


def _by_library(
    library: Any,
    height: float,
    pieces: Sequence[tuple[Shape, int]],
    stop: Stop,
    seed: int,
    seconds: float,
    spacing: float,
    listener: Listener,
    workers: int,
    alone: bool,
    any_angle: Collection[str],
) -> StripResult:
    """Runs of the library until the time is used up (it ends early when it makes no progress); the shortest is kept."""
    started = time.monotonic()
    best: StripResult | None = None
    run = 0
    answered = False
    reason = f"time limit of {seconds:g} s"
    while True:
        left = math.floor(seconds - (time.monotonic() - started) + 0.05)
        if best is not None and answered and left < 1:
            break
        items = [
            library.Item(
                shape.key,
                [(x, y) for x, y in shape.polygons[0][0]],
                count,
                None if shape.key in any_angle else list(shape.angles_deg),
            )
            for shape, count in pieces
        ]
        config = library.StripPackingConfig(
            early_termination=True,
            min_items_separation=spacing or None,
            total_computation_time=max(left, 1),
            num_workers=workers,
            seed=seed + run,
        )
        instance = library.StripPackingInstance("strip", height, items)
        queue = library.ProgressQueue()
        ended: list[Any] = []

        def solve(instance: Any = instance, config: Any = config, queue: Any = queue, ended: Any = ended) -> None:
            ended.append(instance.solve(config, queue))

        thread = threading.Thread(target=solve, daemon=True)
        thread.start()
        if best is None and not alone:
            # Our own greedy layout costs little and is the shorter one on long lists in short time.
            best = _own(height, pieces, stop, seed, 0.0, spacing, listener)
        seen: Any = None
        said: str | None = None
        while thread.is_alive() and said is None:
            thread.join(_POLL_S)
            for kind, solution in queue.drain():
                if kind in (library.ReportType.ExplFeas, library.ReportType.CmprFeas, library.ReportType.Final):
                    seen = solution
            work = int((time.monotonic() - started) / _POLL_S)
            if seen is not None:
                said = stop.reason(Progress(work, 0, seen.width, None))
                if said is None and time.monotonic() - started > seconds + _GRACE_S:
                    said = reason
        answer = ended[0] if ended else seen
        run += 1
        if answer is not None:
            answered = True
            result = _read(pieces, answer, reason, any_angle)
            if best is None or result.length < best.length:
                best = result
                listener.incumbent(result.length, time.monotonic() - started)
        if said is not None and best is not None:
            return StripResult(best.length, best.placements, best.engine, said)
        if answer is None:
            break
    return best if best is not None else _own(height, pieces, stop, seed, 1.0, spacing, listener)


def _read(pieces: Sequence[tuple[Shape, int]], answer: Any, reason: str, any_angle: Collection[str]) -> StripResult:
    """Positions with the rotation snapped to the allowed value it came from."""
    shapes = {shape.key: shape for shape, _ in pieces}
    places: list[Placement] = []
    for item in answer.placed_items:
        angles = shapes[item.id].angles_deg
        angle = min(angles, key=lambda a: abs((a - item.rotation + 180) % 360 - 180))
        if item.id in any_angle:
            angle = float(item.rotation)
        places.append(Placement(item.id, float(item.translation[0]), float(item.translation[1]), angle))
    return StripResult(max(_length(pieces, places), 0.0), tuple(places), "spyrrow", reason)


def _own(
    height: float,
    pieces: Sequence[tuple[Shape, int]],
    stop: Stop,
    seed: int,
    seconds: float,
    spacing: float,
    listener: Listener,
) -> StripResult:
    """Shorten, push overlaps apart, repeat; on a strip standing upright, since the quick nest fills from below."""
    started = time.monotonic()
    upright = {shape.key: _quarter(shape) for shape, _ in pieces}
    back = {twin.key: key for key, twin in upright.items()}
    shapes = sorted(upright.values(), key=lambda s: (-s.area_mm2, s.key))
    counts = {upright[shape.key].key: count for shape, count in pieces}
    cell = height / _STRIP_CELLS

    def spec_of(length: float) -> PlateSpec:
        return PlateSpec(height, length, edge_margin_mm=0, spacing_mm=spacing, resolution_mm=cell)

    area = math.fsum(s.area_mm2 * counts[s.key] for s in shapes)
    total = sum(counts.values())
    longest = max(max(shape.size_mm()) for shape in shapes) * 1.5
    room = 2 * area / height + longest
    nest = Nest(spec_of(room))
    while sum(nest.add(shape, counts[shape.key]) for shape in shapes) < total:
        room *= 1.5
        nest = Nest(spec_of(room))
    best = tuple(nest.placements)
    reach = _reach(shapes, best)
    yard = Yard(spec_of(reach), shapes, seed)
    numbers = {s.key: k for k, s in enumerate(shapes)}
    standing = [s for p in best if (s := yard.stand(numbers[p.shape_key], p)) is not None]
    shorten, work, since = _SHORTEN, 0, 0
    reason = f"time limit of {seconds:g} s"
    while time.monotonic() - started < seconds and len(standing) == len(best):
        said = stop.reason(Progress(work, since, reach, area / height))
        if said is not None:
            reason = said
            break
        work += 1
        since += 1
        target = max(reach * (1 - shorten), area / height)
        yard = Yard(spec_of(target), shapes, seed + work)
        pressed = [_clipped(yard, s) for s in standing]
        found = None if None in pressed else _press(yard, [s for s in pressed if s], started + seconds)
        if found is None:
            shorten = max(shorten / 2, _SHORTEN_LEAST)
            continue
        standing, since = found, 0
        best = tuple(yard.placement(s) for s in found)
        reach = _reach(shapes, best)
        listener.incumbent(reach, time.monotonic() - started)
    # The upright strip turned back: x across becomes -y along.
    places = tuple(Placement(back[p.shape_key], p.y_mm, height - p.x_mm, p.angle_deg) for p in best)
    return StripResult(_length(pieces, places), places, "own", reason)


def _press(yard: Yard, standing: list[Stand], until: float) -> list[Stand] | None:
    """Push apart in slices short enough to keep the time limit."""
    weights = yard.first_weights(standing)
    slice_ = max(1, _SLICE_PIECES // len(standing))
    least, since, done = 1 << 60, 0, 0
    while done < _SWEEPS and since < _PATIENCE and time.monotonic() < until:
        standing, shared = yard.attempt(standing, -1, slice_, slice_, weights)
        if shared == 0:
            return standing
        done += slice_
        least, since = (shared, 0) if shared < least else (least, since + slice_)
    return None


def _quarter(shape: Shape) -> Shape:
    """The outline turned by 90 degrees, with the same allowed rotations."""

    def turn(ring: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
        return [(-y, x) for x, y in ring]

    return Shape.make([(turn(o), [turn(h) for h in holes]) for o, holes in shape.polygons], shape.angles_deg)


def _reach(shapes: Sequence[Shape], places: Sequence[Placement]) -> float:
    known = {shape.key: shape for shape in shapes}
    return max(float(_turned_points(known[p.shape_key], p.angle_deg)[:, 1].max()) + p.y_mm for p in places)


def _clipped(yard: Yard, stand: Stand) -> Stand | None:
    """The piece moved down so far that it ends inside a shortened strip."""
    highest = yard.grid.rows - yard.rows_of(stand)
    return None if highest < 0 else Stand(stand.shape, stand.turn, min(stand.row, highest), stand.column)


def density(height: float, demand: Sequence[tuple[Shape, int]], result: StripResult) -> float:
    """Area of the pieces over the area of the strip used."""
    area = math.fsum(Polygon(o, h).area * n for s, n in demand for o, h in s.polygons)
    return area / (height * result.length) if result.length else 0.0
