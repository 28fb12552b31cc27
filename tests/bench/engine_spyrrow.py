"""spyrrow (strip packing): strips as they are; bins by asking it whether a set of pieces fits one bin.

It knows no holes and no bins. A bin is a strip of the bin's height; a set fits when a layout no longer than the bin's
width turns up. Bins are filled one after another: pieces are taken by area until they make up a share of the bin's
area; the share is raised while the answer is yes and halved back after a no. Every question gets its part of the time.
"""

from __future__ import annotations

import math
import os
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import Any

import spyrrow
from shapely import Polygon

from tests.bench.cases import Case
from tests.bench.forked import stream
from tests.bench.layout import Answer, Put, placed, value_of

#: Pieces of a bin, as type numbers.
Members = tuple[int, ...]

_FIRST_SHARE, _STEP, _LEAST_STEP = 0.5, 0.09, 0.01
_USUAL_SHARE, _POOR_SHARE = 0.65, 0.5
_QUESTIONS_PER_BIN = 3
#: Share of the bin's height by which outlines with spacing are thinned (0.25 mm on a plate of 250 mm).
_THIN_SHARE = 0.001
_QUARTER = 4
#: It refuses pieces of exactly the strip's height; the bin is given this much larger (the check allows twice that).
_TOUCH_SHARE = 1e-5


def solve(case: Case, seconds: float, seed: int, end: float) -> Answer:
    """Strip: shortest layout reported before ``end`` (monotonic). Bins: greedy filling."""
    if case.goal == "density":
        counts = [t.copies for t in case.types]
        best: tuple[float, tuple[Put, ...]] | None = None
        # Told its true time it explores for four fifths of it, then compresses; what it reports late is lost.
        for length, puts in _layouts(case, counts, seed, end, max(round(seconds), 1)):
            if best is None or length < best[0]:
                best = (length, puts)
        return Answer(None if best is None else best[1])
    return _best_of(case, seconds, seed, end)


def _best_of(case: Case, seconds: float, seed: int, end: float) -> Answer:
    """Greedy filling again and again with other seeds while at least a quarter of the time is left."""
    best = _bins(case, seed, end)
    attempts = 1
    while best.puts is not None and end - time.monotonic() > seconds / 4:
        again = _bins(case, seed + 1000 * attempts, end)
        attempts += 1
        if again.puts is not None and value_of(case, again.puts) < value_of(case, best.puts):
            best = again
    return Answer(best.puts, None, f"{attempts} attempts; {best.note}")


def _bins(case: Case, seed: int, end: float) -> Answer:
    areas = [float(_given(case, n).area) for n in range(len(case.types))]
    waiting: list[int] = sorted((n for n, t in enumerate(case.types) for _ in range(t.copies)), key=lambda n: -areas[n])
    room = _inner(case, case.width) * _inner(case, case.height)
    bins = math.ceil(math.fsum(areas[n] for n in waiting) / (room * _USUAL_SHARE))
    span = 0.9 * (end - time.monotonic()) / (bins * (_QUESTIONS_PER_BIN - 1))
    puts: list[Put] = []
    number = asked = 0
    share = _FIRST_SHARE
    while waiting:
        # What is left of the time is dealt out over the bins still to come, counted generously.
        left = math.ceil(math.fsum(areas[n] for n in waiting) / (room * _POOR_SHARE))
        most = min(max(1, int((end - time.monotonic()) / (span * left))), _QUESTIONS_PER_BIN)
        chosen, layout, questions = _fill(case, waiting, areas, room, share, seed + asked, span, most, end)
        asked += questions
        if time.monotonic() >= end:
            return Answer(None, None, f"time ran out after {number} bins and {asked} questions")
        puts.extend(Put(p.type, number, p.x, p.y, p.angle) for p in layout)
        for n in chosen:
            waiting.remove(n)
        share = max(math.fsum(areas[n] for n in chosen) / room - _STEP, _FIRST_SHARE)
        number += 1
    return Answer(tuple(puts), None, f"{asked} questions")


def _fill(
    case: Case,
    waiting: Sequence[int],
    areas: Sequence[float],
    room: float,
    share: float,
    seed: int,
    span: float,
    most: int,
    end: float,
) -> tuple[Members, tuple[Put, ...], int]:
    """Fullest set found for one bin, its layout, questions asked. Starts with the largest piece by itself."""
    best: Members = (waiting[0],)
    layout = _alone(case, waiting[0])
    if layout is None:
        raise ValueError(f"{case.name}: piece of type {waiting[0]} fits no bin")
    low, high = areas[waiting[0]] / room, 1.0
    questions = 0
    # A yes comes early, a no costs the whole span: climb from below, halve the last step once there has been a no.
    while questions < most and high - low > _LEAST_STEP and time.monotonic() < end:
        share = share if low < share < high else (low + high) / 2
        members = _taken(waiting, areas, share * room)
        if len(members) <= len(best):
            low = share
            share = low + _STEP
            continue
        questions += 1
        found = _fits(case, members, seed + questions, min(end, time.monotonic() + span))
        if found is None:
            high = share
            share = (low + high) / 2
            continue
        best, layout, low = members, found, share
        if len(members) == len(waiting):
            break
        share = low + _STEP
    return best, layout, questions


def _taken(waiting: Sequence[int], areas: Sequence[float], area: float) -> Members:
    """Largest pieces first, as many as stay below an area (at least one)."""
    members = [waiting[0]]
    total = areas[waiting[0]]
    for n in waiting[1:]:
        if total + areas[n] <= area:
            members.append(n)
            total += areas[n]
    return tuple(members)


def _fits(case: Case, members: Members, seed: int, end: float) -> tuple[Put, ...] | None:
    """A layout of the members no longer than the bin, if one is reported until ``end``."""
    if len(members) == 1:
        return _alone(case, members[0])
    counts = [0] * len(case.types)
    for n in members:
        counts[n] += 1
    width = _inner(case, case.width)
    for length, puts in _layouts(case, counts, seed, end, math.ceil(end - time.monotonic()) + 1):
        if length <= width:
            return puts
        if length <= width * 1.001:
            # The reported length holds a little slack: what counts is how far the pieces reach.
            boxes = [placed(case, p).bounds for p in puts]
            left = min(b[0] for b in boxes) - case.margin
            if max(b[2] for b in boxes) - left <= case.width - case.margin + _TOUCH_SHARE * case.width:
                return tuple(Put(p.type, p.bin, p.x - left, p.y, p.angle) for p in puts)
    return None


def _alone(case: Case, number: int) -> tuple[Put, ...] | None:
    """A piece by itself needs no search: the first angle in which its bounding box fits."""
    for angle in case.types[number].listed_angles():
        x0, y0, x1, y1 = placed(case, Put(number, 0, 0.0, 0.0, angle)).bounds
        room_x, room_y = case.width - 2 * case.margin, case.height - 2 * case.margin
        if x1 - x0 <= room_x * (1 + 1e-9) and y1 - y0 <= room_y * (1 + 1e-9):
            return (Put(number, 0, case.margin - x0, case.margin - y0, angle),)
    return None


def _layouts(
    case: Case, counts: Sequence[int], seed: int, end: float, whole_s: int
) -> Iterator[tuple[float, tuple[Put, ...]]]:
    """(length, layout) of every sound layout reported until ``end``."""
    yield from stream(partial(_strip, case, tuple(counts), seed, whole_s), end)


def _strip(case: Case, counts: Sequence[int], seed: int, whole_s: int, send: Callable[[Any], None]) -> None:
    """In the child: solve and send sound layouts as they are reported."""
    # A set that cannot be placed ends in a panic with a long trace: the answer is then simply no.
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    items = [
        spyrrow.Item(str(n), list(_given(case, n).exterior.coords)[:-1], count, _angles(case, n))
        for n, count in enumerate(counts)
        if count
    ]
    instance = spyrrow.StripPackingInstance(case.name, _inner(case, case.height), items)
    config = spyrrow.StripPackingConfig(
        early_termination=False, total_computation_time=whole_s, num_workers=1, seed=seed
    )
    queue = spyrrow.ProgressQueue()
    final: list[Any] = []
    solver = threading.Thread(target=lambda: final.append(instance.solve(config, queue)), daemon=True)
    solver.start()
    sound = (spyrrow.ReportType.ExplFeas, spyrrow.ReportType.CmprFeas, spyrrow.ReportType.Final)
    while solver.is_alive():
        solver.join(0.01)
        for kind, layout in queue.drain():
            if kind in sound:
                send(_layout(case, layout))
    for layout in final:
        send(_layout(case, layout))


def _layout(case: Case, layout: Any) -> tuple[float, tuple[Put, ...]]:
    corner = case.margin - case.spacing / 2
    return float(layout.width), tuple(
        Put(int(p.id), 0, p.translation[0] + corner, p.translation[1] + corner, p.rotation) for p in layout.placed_items
    )


def _angles(case: Case, number: int) -> list[float] | None:
    angles = case.types[number].angles
    return None if angles is None else list(angles)


def _inner(case: Case, side: float) -> float:
    return (side - 2 * case.margin + case.spacing) * (1.0 if case.goal == "density" else 1.0 + _TOUCH_SHARE)


def _given(case: Case, number: int) -> Polygon:
    """Outer outline grown by half the spacing, arcs on the outside."""
    outer = Polygon(case.types[number].outer)
    if case.spacing <= 0:
        return outer
    # Outlines of real parts carry up to a thousand vertices, which cost it most of its time: thinned, outward.
    thin = _THIN_SHARE * case.height
    grown = outer.buffer(case.spacing / 2 / math.cos(math.pi / (4 * _QUARTER)) + thin, quad_segs=_QUARTER)
    grown = grown.simplify(thin)
    return max(getattr(grown, "geoms", [grown]), key=lambda g: float(g.area))
