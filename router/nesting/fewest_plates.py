"""A whole list of shapes on as few plates as possible."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np

from router.kernel.run import Listener, Progress, Silent, Status, Stop
from router.nesting.contact_search import ContactSearch, takes
from router.nesting.placement import Placement
from router.nesting.plate import PlateSpec
from router.nesting.plate_search import PlateSearch
from router.nesting.rect_bins import BoxSearch
from router.nesting.shape import Shape, turned

_EXACT_MM = 1e-9
#: Units of the contact search for one of deep placing, which takes some ten times as long.
_CONTACT_TURNS = 8


@dataclass(frozen=True, slots=True)
class PlatesResult:
    """Plates with their pieces; every piece of the demand stands exactly once.

    ``bound``: no answer has fewer plates. ``status``: ``OPTIMAL`` when bound and plates meet, ``CANCELLED`` when a
    stop rule said so, else ``FEASIBLE``. ``work``: units done (search steps of the engine used).
    """

    plates: tuple[tuple[Placement, ...], ...]
    bound: int
    status: Status
    reason: str
    work: int


def fewest_plates(
    spec: PlateSpec,
    demand: Sequence[tuple[Shape, int]],
    stop: Stop,
    seed: int = 0,
    listener: Listener | None = None,
) -> PlatesResult:
    """Pack all pieces on few plates until ``stop`` speaks or the bound is met; best so far at any time.

    Axis-parallel rectangles in quarter turns on a rectangular plate without keep-outs go to an exact rectangle engine
    (:mod:`router.nesting.rect_bins`), everything else to deep placing (:mod:`router.nesting.plate_search`); where no
    spacing is asked and outlines are simple, exact contact (:mod:`router.nesting.contact_search`) takes turns with it.
    The first greedy answer is always made, however short the budget. Deterministic for a seed and a work limit. Raises
    ``ValueError`` for negative counts or a shape that fits no empty plate.
    """
    listener = listener or Silent()
    started = time.monotonic()
    boxes = _all_boxes(spec, demand)
    search: PlateSearch | _Both | _Boxes
    if boxes:
        search = _Boxes(spec, demand, seed)
    elif takes(spec, demand):
        search = _Both(spec, demand, seed)
    else:
        search = PlateSearch(spec, demand, seed)
    listener.phase("fewest plates", None)
    listener.bound(float(search.bound), time.monotonic() - started)
    since = 0
    while True:
        if search.done:
            status, reason = Status.OPTIMAL, f"{len(search.best)} plates are the fewest possible"
            break
        value = float(len(search.best)) if search.best else None
        said = stop.reason(Progress(search.work, since, value, float(search.bound)))
        if not isinstance(search, _Boxes) and search.best:
            now = Progress(search.work, since, value, float(search.bound))
            search.halt = partial(_speaks, stop, now)
        if said is not None and search.best:
            status, reason = (Status.CANCELLED if said == "cancelled" else Status.FEASIBLE), said
            break
        since += 1
        if search.improve():
            since = 0
            listener.incumbent(float(len(search.best)), time.monotonic() - started)
        listener.step(search.work)
    listener.ended(status, reason)
    return PlatesResult(tuple(search.best), search.bound, status, reason, search.work)


class _Both:
    """Deep placing and exact contact by turns; the better answer counts."""

    def __init__(self, spec: PlateSpec, demand: Sequence[tuple[Shape, int]], seed: int) -> None:
        self._deep = PlateSearch(spec, demand, seed)
        self._contact = ContactSearch(spec, demand, seed)
        self._turn = 0

    @property
    def bound(self) -> int:
        return self._deep.bound

    @property
    def best(self) -> list[tuple[Placement, ...]]:
        if self._contact.count and not 0 < len(self._deep.best) <= self._contact.count:
            return self._contact.best
        return self._deep.best

    @property
    def done(self) -> bool:
        return bool(self.best) and len(self.best) <= self.bound

    @property
    def work(self) -> int:
        return self._turn

    @property
    def halt(self) -> Callable[[], bool]:
        return self._deep.halt

    @halt.setter
    def halt(self, halt: Callable[[], bool]) -> None:
        self._deep.halt = halt

    def improve(self) -> bool:
        before = len(self.best)
        if self._turn % (_CONTACT_TURNS + 1) == _CONTACT_TURNS:
            self._deep.improve()
        else:
            self._contact.improve()
        self._turn += 1
        return before == 0 or len(self.best) < before


def _speaks(stop: Stop, now: Progress) -> bool:
    return stop.reason(now) is not None


def _all_boxes(spec: PlateSpec, demand: Sequence[tuple[Shape, int]]) -> bool:
    if spec.round or spec.keep_outs or spec.resolution_mm < 0:
        return False
    return all(is_box(shape) for shape, _ in demand)


@lru_cache(maxsize=8192)
def is_box(shape: Shape) -> bool:
    """A full axis-parallel rectangle that only takes quarter turns."""
    if len(shape.polygons) != 1 or shape.polygons[0][1] or any(a % 90 for a in shape.angles_deg):
        return False
    width, depth = shape.size_mm()
    return abs(shape.area_mm2 - width * depth) <= _EXACT_MM * width * depth


class _Boxes:
    """The rectangle engine behind the same face as :class:`PlateSearch`. Spacing is part of every box and bin."""

    def __init__(self, spec: PlateSpec, demand: Sequence[tuple[Shape, int]], seed: int) -> None:
        self._spec = spec
        if any(count < 0 for _, count in demand):
            raise ValueError("a demand of less than 0 pieces is not possible")
        pieces = [shape for shape, count in demand for _ in range(count)]
        self._pieces = sorted(pieces, key=lambda s: (-s.area_mm2, s.key))
        gap = spec.spacing_mm
        sizes = [(w + gap, h + gap) for w, h in (s.size_mm() for s in self._pieces)]
        self._search = BoxSearch(
            (spec.usable_width_mm + gap, spec.usable_depth_mm + gap), sizes, [_turns(s) for s in self._pieces], seed
        )
        self.best: list[tuple[Placement, ...]] = []

    @property
    def bound(self) -> int:
        return self._search.bound

    @property
    def done(self) -> bool:
        return not self._pieces or self._search.done

    @property
    def work(self) -> int:
        return self._search.work

    def improve(self) -> bool:
        better = self._search.improve()
        if better:
            self._read()
        return better

    def _read(self) -> None:
        found = self._search.best
        assert found is not None
        plates: list[list[Placement]] = [[] for _ in range(found.bins)]
        margin = self._spec.edge_margin_mm
        for shape, place in zip(self._pieces, found.places, strict=True):
            angle = next(a for a in shape.angles_deg if bool(a % 180) == place.turned)
            x0, y0 = _corner(shape, angle)
            plates[place.bin].append(Placement(shape.key, margin + place.x - x0, margin + place.y - y0, angle))
        self.best = [tuple(plate) for plate in plates]


def _turns(shape: Shape) -> int:
    return sum({1 if a % 180 == 0 else 2 for a in shape.angles_deg})


@lru_cache(maxsize=8192)
def _corner(shape: Shape, angle_deg: float) -> tuple[float, float]:
    low = turned(np.array(shape.polygons[0][0]), angle_deg).min(axis=0)
    return float(low[0]), float(low[1])
