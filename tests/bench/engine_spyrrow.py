"""spyrrow (strip packing): strips as they are; bins by asking it whether a set of pieces fits one bin.

It knows no holes and no bins. A bin is a strip of the bin's height; a set fits when a layout no longer than the bin's
width turns up. Bins are filled one after another: pieces are taken by area until they make up a share of the bin's
area, and the share is searched by bisection, each question getting its part of the time that is left.
"""

from __future__ import annotations

import math
import os
import threading
import time
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import spyrrow
from shapely import Polygon

from tests.bench.cases import Case
from tests.bench.forked import stream
from tests.bench.layout import Answer, Put

#: Pieces of a bin, as type numbers.
Members = tuple[int, ...]

_LEAST_SHARE = 0.35
_QUESTIONS_PER_BIN = 6
_DEAREST_SHARE_STEP = 0.01
_SHORT_QUESTION_S = 0.4
_QUARTER = 4
#: It refuses pieces of exactly the strip's height; the bin is given this much larger (the check allows twice that).
_TOUCH_SHARE = 1e-5


def solve(case: Case, seconds: float, seed: int, end: float) -> Answer:
    """Strip: shortest layout reported before ``end`` (monotonic). Bins: greedy filling."""
    if case.goal == "density":
        counts = [t.copies for t in case.types]
        best: tuple[float, tuple[Put, ...]] | None = None
        for length, puts in _layouts(case, counts, seed, end, math.ceil(seconds) + 1):
            if best is None or length < best[0]:
                best = (length, puts)
        return Answer(None if best is None else best[1])
    return _bins(case, seed, end)


def _bins(case: Case, seed: int, end: float) -> Answer:
    areas = [float(_given(case, n).area) for n in range(len(case.types))]
    waiting: list[int] = sorted(
        (n for n, t in enumerate(case.types) for _ in range(t.copies)), key=lambda n: -areas[n]
    )
    room = _inner(case, case.width) * _inner(case, case.height)
    puts: list[Put] = []
    number = asked = 0
    hint = 0.7
    while waiting:
        left = math.fsum(areas[n] for n in waiting)
        bins_left = max(1, math.ceil(left / (room * hint)))
        budget = (end - time.monotonic()) / bins_left
        if budget <= 0:
            return Answer(None, None, f"time ran out after {number} bins and {asked} questions")
        chosen, layout, hint, questions = _fill(case, waiting, areas, room, hint, seed + number, budget)
        asked += questions
        if layout is None:
            return Answer(None, None, f"no layout for a single piece in bin {number}")
        puts.extend(Put(p.type, number, p.x, p.y, p.angle) for p in layout)
        for n in chosen:
            waiting.remove(n)
        number += 1
    return Answer(tuple(puts), None, f"{asked} questions")


def _fill(
    case: Case, waiting: Sequence[int], areas: Sequence[float], room: float, hint: float, seed: int, budget: float
) -> tuple[Members, tuple[Put, ...] | None, float, int]:
    """Fullest set found for one bin, its layout, the share of the area reached, questions asked."""
    stop = time.monotonic() + budget
    low, high = 0.0, 1.0 + 1e-9
    best: tuple[Members, tuple[Put, ...] | None] = ((), None)
    share = min(hint + 0.04, 1.0)
    seen: set[Members] = set()
    questions = 0
    while high - low > _DEAREST_SHARE_STEP:
        members = _taken(waiting, areas, share * room)
        if members in seen:
            low, high = (share, high) if members == best[0] else (low, share)
        else:
            seen.add(members)
            last = time.monotonic() >= stop
            if last and best[1] is not None:
                break
            questions += 1
            span = max(budget / _QUESTIONS_PER_BIN, min(_SHORT_QUESTION_S, budget / 2))
            layout = _fits(case, members, seed + questions, time.monotonic() + span)
            if layout is not None and len(members) >= len(best[0]):
                best = (members, layout)
                low = share
                if len(members) == len(waiting):
                    break
            else:
                high = share
        share = (low + high) / 2 if low > 0 else max(share - 0.08, _LEAST_SHARE / 2)
        if share <= _LEAST_SHARE and best[1] is None:
            members = (waiting[0],)
            return members, _fits(case, members, seed, time.monotonic() + 2.0), hint, questions + 1
    reached = math.fsum(areas[n] for n in best[0]) / room
    return best[0], best[1], max(reached, _LEAST_SHARE), questions


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
    counts = [0] * len(case.types)
    for n in members:
        counts[n] += 1
    width = _inner(case, case.width)
    for length, puts in _layouts(case, counts, seed, end, math.ceil(end - time.monotonic()) + 1):
        if length <= width:
            return puts
    return None


def _layouts(case: Case, counts: Sequence[int], seed: int, end: float, whole_s: int) -> Any:
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
    grown = outer.buffer(case.spacing / 2 / math.cos(math.pi / (4 * _QUARTER)), quad_segs=_QUARTER)
    # Outlines of real parts carry hundreds of vertices on arcs; a hundredth of a millimetre is thinned, outward.
    thin = grown.buffer(0.01).simplify(0.01)
    return max(getattr(thin, "geoms", [thin]), key=lambda g: float(g.area))
