"""rectpack on bounding boxes: its bin rules, packing algorithms and sorts, rotation where the pieces allow it."""

from __future__ import annotations

import itertools
import math
import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import rectpack  # type: ignore[import-untyped]
from shapely.affinity import rotate

from tests.bench.cases import Case
from tests.bench.layout import Answer, Put

#: Boxes are whole numbers for rectpack: this many units a length unit.
_UNITS = 1000

# The rules that win most often stand first, so that a short time limit cuts off the weak ones. Fixed by a run over
# all of them; nothing is left out, only ordered.
_BIN_RULES = ("BBF", "BFF", "BNF")
_SORTS = ("SORT_AREA", "SORT_SSIDE", "SORT_LSIDE", "SORT_PERI", "SORT_DIFF", "SORT_RATIO", "SORT_NONE")
_MAX_RECTS = ("MaxRectsBssf", "MaxRectsBaf", "MaxRectsBlsf", "MaxRectsBl")
_SKYLINES = ("SkylineMwfl", "SkylineMwf", "SkylineBl", "SkylineMwflWm", "SkylineMwfWm", "SkylineBlWm")
_GUILLOTINES = tuple(
    f"Guillotine{choice}{split}"
    for choice in ("Bssf", "Baf", "Blsf")
    for split in ("Sas", "Las", "Slas", "Llas", "Maxas", "Minas")
)


@dataclass(frozen=True, slots=True)
class _Box:
    """Bounding box of a piece at its first angle, in units, grown by the spacing."""

    type: int
    width: int
    height: int


def configurations() -> Iterator[tuple[str, str, str]]:
    """All (bin rule, algorithm, sort); the global rule sorts by itself."""
    for group in (_MAX_RECTS, _SKYLINES, _GUILLOTINES):
        for rule, sort, algorithm in itertools.product(_BIN_RULES, _SORTS, group):
            yield rule, algorithm, sort
    for algorithm in (*_MAX_RECTS, *_SKYLINES, *_GUILLOTINES):
        yield "Global", algorithm, "SORT_NONE"


def solve(case: Case, seconds: float, seed: int, end: float) -> Answer:
    """Best layout over the configurations tried until ``end`` (monotonic); each one's value is handed over too."""
    boxes, turning = _boxes(case)
    room_w = None if math.isinf(case.width) else _room(case.width, case)
    room_h = _room(case.height, case)
    best: list[tuple[int, int, int, int, bool]] | None = None
    best_value = math.inf
    values: list[tuple[str, float]] = []
    tried = 0
    for rule, algorithm, sort in configurations():
        if time.monotonic() >= end:
            break
        tried += 1
        packed = _pack(boxes, room_w, room_h, turning, rule, algorithm, sort, end)
        if packed is None:
            continue
        value = _value(packed, boxes, room_w is None)
        values.append((f"{rule} {algorithm} {sort}", value))
        if value < best_value:
            best, best_value = packed, value
    note = f"{tried} configurations"
    return Answer(None if best is None else _puts(case, boxes, best, room_w is None), None, note, tuple(values))


def _room(side: float, case: Case) -> int:
    return math.floor((side - 2 * case.margin + case.spacing) * _UNITS + 1e-6)


def _boxes(case: Case) -> tuple[list[_Box], bool]:
    boxes = []
    for number, piece in enumerate(case.types):
        x0, y0, x1, y1 = rotate(piece.region(), piece.listed_angles()[0], origin=(0, 0)).bounds
        w, h = (math.ceil((side + case.spacing) * _UNITS - 1e-6) for side in (x1 - x0, y1 - y0))
        boxes.extend([_Box(number, w, h)] * piece.copies)
    turning = all(_quarter_turn(p.angles) is not None for p in case.types)
    return boxes, turning


def _quarter_turn(angles: tuple[float, ...] | None) -> float | None:
    """An allowed angle a quarter turn from the first."""
    if angles is None:
        return 90.0
    return next((a for a in angles if abs((a - angles[0]) % 180.0 - 90.0) < 1e-6), None)


def _pack(
    boxes: list[_Box], room_w: int | None, room_h: int, turning: bool, rule: str, algorithm: str, sort: str, end: float
) -> list[tuple[int, int, int, int, bool]] | None:
    """(box, bin, x, y, turned) of every box, or None. A strip stands upright: its height is rectpack's width."""
    packer: Any = rectpack.newPacker(
        mode=rectpack.PackingMode.Offline,
        bin_algo=getattr(rectpack.PackingBin, rule),
        pack_algo=getattr(rectpack, algorithm),
        sort_algo=getattr(rectpack, sort),
        rotation=turning,
    )
    long = sum(max(b.width, b.height) for b in boxes)
    for number, box in enumerate(boxes):
        w, h = (box.width, box.height) if room_w is not None else (box.height, box.width)
        packer.add_rect(w, h, number)
    if room_w is None:
        packer.add_bin(room_h, long, 1)
    else:
        packer.add_bin(room_w, room_h, len(boxes))
    packer.pack()
    found = []
    for bin_number, x, y, w, h, number in packer.rect_list():
        box = boxes[number]
        if room_w is None:
            x, y, w, h = y, x, h, w
        found.append((number, bin_number, x, y, (w, h) != (box.width, box.height)))
    return found if len(found) == len(boxes) else None


def _value(packed: list[tuple[int, int, int, int, bool]], boxes: list[_Box], strip: bool) -> float:
    """Bins used, or length of the strip."""
    if not strip:
        return float(len({bin_number for _, bin_number, _, _, _ in packed}))
    return float(max(x + (boxes[n].height if turned else boxes[n].width) for n, _, x, _, turned in packed)) / _UNITS


def _puts(case: Case, boxes: list[_Box], packed: list[tuple[int, int, int, int, bool]], strip: bool) -> tuple[Put, ...]:
    puts = []
    for number, bin_number, x, y, turned in packed:
        piece = case.types[boxes[number].type]
        angle = piece.listed_angles()[0]
        if turned:
            angle = _quarter_turn(piece.angles) or 0.0
        x0, y0, _, _ = rotate(piece.region(), angle, origin=(0, 0)).bounds
        at = (case.margin + x / _UNITS - x0, case.margin + y / _UNITS - y0)
        puts.append(Put(boxes[number].type, bin_number, *at, angle))
    return tuple(puts)
