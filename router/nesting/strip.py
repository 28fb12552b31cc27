"""Strip packing: all pieces in a strip of fixed height, as short as possible.

Three engines. Rectangles in quarter turns go to an exact rectangle search (:mod:`router.nesting.rect_strip`). Outlines
without holes go to ``spyrrow``, a general-purpose open-source strip packer, in a process of its own; our own greedy
layout is made beside it, and what it leaves loose is pushed together by linear programming
(:mod:`router.nesting.compact`). Lists with holes and long lists with many listed rotations go to our own search: the
strip is shortened step by step and overlaps are pushed apart on the cell grid. The result says which engine it came
from.
"""

from __future__ import annotations

import contextlib
import json
import math
import subprocess
import sys
import threading
import time
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from shapely import Polygon

from router.kernel.run import Listener, Progress, Silent, Stop
from router.nesting.compact import Compaction
from router.nesting.fewest_plates import is_box
from router.nesting.nest import Nest
from router.nesting.placement import Placement
from router.nesting.plate import PlateSpec
from router.nesting.rect_strip import BoxStripSearch
from router.nesting.separate import Stand, Yard
from router.nesting.shape import Shape, turned

_STRIP_CELLS = 400
_SHORTEN = 0.04
_SHORTEN_LEAST = 0.0015
_SWEEPS, _PATIENCE = 120, 40
_POLL_S = 0.02
#: From so many pieces with so many rotations in all our own search is ahead in 5 to 10 s (measured on swim_c and the
#: gardeyn sets with any angle, as 24 steps).
_MANY_PIECES, _MANY_TURNS = 40, 400
#: Seconds kept for the compaction: this much for every convex part on the strip, at least and at most (share).
_PART_S, _LEAST_S, _MOST_SHARE = 1.2e-4, 0.06, 0.25
#: Layouts longer than the shortest by more than this are not worth compacting.
_WORTH = 1.02
#: The greedy layout is made within budgets up to this one and for lists with few rotations in all.
_SHORT_S, _FEW_TURNS = 3.0, 400
#: The library explores for this share of its time and compresses for the rest.
_EXPLORATION = 0.8
#: In less time than this quarter turns serve lists of so many pieces better than any angle (gardeyn sets, 5 s).
_LARGE_PIECES = 50
_FREE_S, _QUARTERS = 60.0, (0.0, 90.0, 180.0, 270.0)
#: Pieces times sweeps of one slice of the own search between two looks at the clock.
_SLICE_PIECES = 200


#: A layout as the library tells it: item number, x, y, rotation in degrees.
Layout = list[tuple[int, float, float, float]]


@dataclass(frozen=True, slots=True)
class StripResult:
    """Strip from x = 0 to ``length`` and y = 0 to the asked height. ``engine``: ``spyrrow``, ``own`` or ``boxes``."""

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

    ``seconds``: wall-clock budget of the whole call. ``any_angle``: keys of shapes that may turn freely; the library
    then uses angles outside ``shape.angles_deg``, our own search only those listed; long lists in short time take
    quarter turns in both. ``engine`` forces ``own``,
    ``spyrrow`` or ``boxes``. Raises ``ValueError`` for a piece higher than the strip in every rotation, a negative
    count, or an engine asked for outlines it cannot take.
    """
    listener = listener or Silent()
    began = time.monotonic()
    pieces = [(shape, count) for shape, count in demand if count]
    if any(count < 0 for _, count in pieces):
        raise ValueError("a demand of less than 0 pieces is not possible")
    for shape, _ in pieces:
        lowest = min(np.ptp(_turned_points(shape, a)[:, 1]) for a in shape.angles_deg)
        if lowest > height * (1 + 1e-9):
            raise ValueError(f"shape {shape.key} is {lowest:g} high at least, the strip only {height:g}")
    if not pieces:
        return StripResult(0.0, (), "own", "nothing to place")
    if any_angle and sum(count for _, count in pieces) >= _LARGE_PIECES and seconds < _FREE_S:
        twins = {s.key: Shape.make(s.polygons, _QUARTERS) if s.key in any_angle else s for s, _ in pieces}
        back = {twin.key: key for key, twin in twins.items()}
        if len(back) == len(twins):
            fewer = [(twins[shape.key], count) for shape, count in pieces]
            found = pack_strip(height, fewer, stop, seed, seconds, spacing, listener, engine, workers)
            places = tuple(replace(p, shape_key=back[p.shape_key]) for p in found.placements)
            return replace(found, placements=places)
    boxes = all(is_box(s) and s.key not in any_angle for s, _ in pieces)
    plain = all(len(s.polygons) == 1 and not s.polygons[0][1] for s, _ in pieces)
    turns = sum(count * len(shape.angles_deg) for shape, count in pieces)
    own_ground = sum(count for _, count in pieces) >= _MANY_PIECES and turns >= _MANY_TURNS and not any_angle
    if engine == "spyrrow" and not plain:
        raise ValueError("an outline has holes or several parts, which spyrrow cannot take")
    if engine == "boxes" and not boxes:
        raise ValueError("a piece is no rectangle in quarter turns")
    listener.phase("strip", None)
    if boxes and engine in ("", "boxes"):
        return _of_boxes(height, pieces, stop, seed, seconds, spacing, listener)
    search = _Strip(height, pieces, spacing, began + seconds)
    if engine == "own" or (not engine and (own_ground or not plain)):
        spent = seconds - search.reserve_s
        found = _own(height, pieces, stop, seed, spent, spacing, listener)
        return search.tightened([found])
    return _by_library(search, stop, seed, seconds, listener, workers, bool(engine), any_angle)


class _Strip:
    """One question: the pieces, the deadline (monotonic), and the compaction of its layouts."""

    def __init__(self, height: float, pieces: Sequence[tuple[Shape, int]], spacing: float, until: float) -> None:
        self.height, self.pieces, self.spacing, self.until = height, pieces, spacing, until
        self._compaction = Compaction(height, {shape.key: shape for shape, _ in pieces}, spacing)
        parts = sum(count * self._compaction.parts_of(shape.key) for shape, count in pieces)
        self.turns = sum(count * len(shape.angles_deg) for shape, count in pieces)
        left = max(until - time.monotonic(), 0.0)
        self.reserve_s = min(max(_PART_S * parts, _LEAST_S), _MOST_SHARE * left)

    def tightened(self, found: Sequence[StripResult]) -> StripResult:
        """Shortest of the layouts after compaction, the shortest first, as many as time allows."""
        ranked = sorted(found, key=lambda result: result.length)
        best = ranked[0]
        for result in ranked:
            if time.monotonic() >= self.until or result.length > ranked[0].length * _WORTH:
                break
            places = self._compaction.tighten(result.placements, self.until)
            length = _length(self.pieces, places)
            if length < best.length:
                best = replace(result, length=length, placements=places)
        return best


def _of_boxes(
    height: float,
    pieces: Sequence[tuple[Shape, int]],
    stop: Stop,
    seed: int,
    seconds: float,
    spacing: float,
    listener: Listener,
) -> StripResult:
    """Rectangles: the strip stands upright, every box and the strip's width grown by the spacing."""
    started = time.monotonic()
    shapes = [shape for shape, count in pieces for _ in range(count)]
    sizes = [(h + spacing, w + spacing) for w, h in (shape.size_mm() for shape in shapes)]
    turns = [sum({1 if a % 180 == 0 else 2 for a in shape.angles_deg}) for shape in shapes]
    search = BoxStripSearch(height + spacing, sizes, turns, seed)
    work = since = 0
    reason = f"time limit of {seconds:g} s"
    while time.monotonic() - started < seconds:
        if search.done:
            reason = "as short as the area allows"
            break
        said = stop.reason(Progress(work, since, search.height - spacing, search.bound - spacing))
        if said is not None:
            reason = said
            break
        work, since = work + 1, since + 1
        if search.improve():
            since = 0
            listener.incumbent(search.height - spacing, time.monotonic() - started)
    places: list[Placement] = []
    for shape, (across, along, over) in zip(shapes, search.best.places, strict=True):
        angle = next(a for a in shape.angles_deg if bool(a % 180) == over)
        low = _turned_points(shape, angle).min(axis=0)
        places.append(Placement(shape.key, along - float(low[0]), across - float(low[1]), angle))
    return StripResult(_length(pieces, places), tuple(places), "boxes", reason)


def _turned_points(shape: Shape, angle_deg: float) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    points = np.array([vertex for outer, _ in shape.polygons for vertex in outer])
    return turned(points, angle_deg)


def _length(pieces: Sequence[tuple[Shape, int]], places: Sequence[Placement]) -> float:
    shapes = {shape.key: shape for shape, _ in pieces}
    return max(float(_turned_points(shapes[p.shape_key], p.angle_deg)[:, 0].max()) + p.x_mm for p in places)


def _by_library(
    strip: _Strip,
    stop: Stop,
    seed: int,
    seconds: float,
    listener: Listener,
    workers: int,
    alone: bool,
    any_angle: Collection[str],
) -> StripResult:
    """Runs of the library until its time is used up (it ends early when it makes no progress), then compaction."""
    started = time.monotonic()
    until = strip.until - strip.reserve_s
    found: list[StripResult] = []
    shortest = math.inf
    reason = f"time limit of {seconds:g} s"
    said: str | None = None
    run = 0
    while said is None and (run == 0 or until - time.monotonic() > 1.0):
        with _Child(strip, until - time.monotonic(), seed + run, workers, any_angle) as child:
            if run == 0 and not alone and seconds <= _SHORT_S and strip.turns <= _FEW_TURNS:
                # In short time our own greedy layout is the shorter one on some lists.
                found.append(_own(strip.height, strip.pieces, stop, seed, 0.0, strip.spacing, listener))
                shortest = found[0].length
            # Where there is nothing to fall back on yet, the first layout is waited for.
            while child.runs and (time.monotonic() < until or not found) and said is None:
                child.wait(_POLL_S)
                for layout in child.news():
                    result = _read(strip.pieces, layout, reason, any_angle)
                    found.append(result)
                    if result.length < shortest:
                        shortest = result.length
                        listener.incumbent(shortest, time.monotonic() - started)
                work = int((time.monotonic() - started) / _POLL_S)
                said = stop.reason(Progress(work, 0, shortest, None)) if found else None
            for layout in child.news():
                found.append(_read(strip.pieces, layout, reason, any_angle))
        run += 1
    if not found:
        return _own(strip.height, strip.pieces, stop, seed, 1.0, strip.spacing, listener)
    best = strip.tightened(found)
    return best if said is None else replace(best, reason=said)


class _Child:
    """The library at work in its own process; leaving the context ends it."""

    def __init__(self, strip: _Strip, seconds: float, seed: int, workers: int, any_angle: Collection[str]) -> None:
        whole = max(math.ceil(seconds), 1)
        exploration = max(round(whole * _EXPLORATION), 1)
        self._request = {
            "height": strip.height,
            "spacing": strip.spacing,
            "seed": seed,
            "workers": workers,
            "exploration_s": exploration,
            "compression_s": max(whole - exploration, 1),
            "items": [
                {
                    "ring": shape.polygons[0][0],
                    "count": count,
                    "angles": None if shape.key in any_angle else shape.angles_deg,
                }
                for shape, count in strip.pieces
            ],
        }
        self._layouts: list[Layout] = []
        self._lock = threading.Lock()

    def __enter__(self) -> _Child:
        command = [sys.executable, str(Path(__file__).with_name("strip_child.py"))]
        # A set that cannot be placed ends in a panic with a long trace: there is then simply no layout.
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        self._reader = threading.Thread(target=self._listen, daemon=True)
        self._reader.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._reader.join()
        self._process.wait()

    def _listen(self) -> None:
        stdin, stdout = self._process.stdin, self._process.stdout
        assert stdin is not None and stdout is not None
        with contextlib.suppress(BrokenPipeError), stdin:
            json.dump(self._request, stdin)
        with stdout:
            for line in stdout:
                # The last line may be cut off where the process was ended.
                if line.endswith("\n"):
                    layout: Layout = [(int(n), float(x), float(y), float(r)) for n, x, y, r in json.loads(line)]
                    with self._lock:
                        self._layouts.append(layout)

    @property
    def runs(self) -> bool:
        """Still working, or its last words not yet read."""
        return self._reader.is_alive()

    def wait(self, seconds: float) -> None:
        """Until it has ended, at most so long."""
        self._reader.join(seconds)

    def news(self) -> list[Layout]:
        """Layouts reported since the last call."""
        with self._lock:
            fresh, self._layouts = self._layouts, []
        return fresh


def _read(pieces: Sequence[tuple[Shape, int]], layout: Layout, reason: str, any_angle: Collection[str]) -> StripResult:
    """Positions with the rotation snapped to the allowed value it came from."""
    places: list[Placement] = []
    for number, x, y, rotation in layout:
        shape = pieces[number][0]
        if shape.key not in any_angle:
            rotation = min(shape.angles_deg, key=lambda a: abs((a - rotation + 180) % 360 - 180))
        places.append(Placement(shape.key, x, y, rotation))
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
    took = 0.0
    while done < _SWEEPS and since < _PATIENCE:
        began = time.monotonic()
        if began + took >= until:
            break
        standing, shared = yard.attempt(standing, -1, slice_, slice_, weights)
        if shared == 0:
            return standing
        took = time.monotonic() - began
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
