"""Does this set fit this plate? Certain answers at once, deep search on request; a known yes is never forgotten."""

from __future__ import annotations

import math
import time
from collections import Counter, OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from router.kernel.run import Listener, Progress, Silent, Status, Stop
from router.nesting.nest import Nest
from router.nesting.pack import pack
from router.nesting.placement import Placement
from router.nesting.plate import PlateSpec
from router.nesting.separate import Stand, Yard, deep_spec
from router.nesting.shape import Shape
from router.nesting.verdict import too_large

_YES_PER_PLATE = 256
_PLATES = 64
#: Quick rounds (orders, one of them snug) before the deep search.
_ROUNDS = 4
_SWEEPS, _PATIENCE = 80, 25
#: After so many failed attempts from one layout the search begins again from another.
_ATTEMPTS = 6

Counts = Counter[str]
_Plate = tuple[PlateSpec, tuple[Placement, ...], tuple[str, ...]]
_yes: OrderedDict[_Plate, list[tuple[Placement, ...]]] = OrderedDict()


@dataclass(frozen=True, slots=True)
class FitResult:
    """Answer with its layout.

    ``status``: ``FEASIBLE`` (all stand, ``placements`` has every piece), ``INFEASIBLE`` (certain),
    ``NO_SOLUTION_IN_TIME`` (not found, ``placements`` is the fullest layout seen) or ``CANCELLED``. ``work``: deep
    attempts.
    """

    status: Status
    placements: tuple[Placement, ...]
    reason: str
    work: int

    @property
    def fits(self) -> bool:
        """Every piece stands."""
        return self.status is Status.FEASIBLE


def fit_all(
    spec: PlateSpec,
    demand: Sequence[tuple[Shape, int]],
    stop: Stop | None = None,
    seed: int = 0,
    listener: Listener | None = None,
    fixed: Sequence[Placement] = (),
    fixed_shapes: Mapping[str, Shape] | None = None,
) -> FitResult:
    """Do all pieces of the demand fit the plate beside the ``fixed`` ones, and where?

    Without ``stop`` only the fast answer: certain no (a piece too large, dilated area), known or quickly found yes.
    With ``stop`` the deep search goes on until it says so; one unit of work is one attempt, ``value`` of the progress
    the share of the demand's area that stands (negative: solvers report what falls). A subset of a known yes is
    answered yes at once, so taking a piece away never turns a yes into anything else. Raises ``ValueError`` for a
    negative count.
    """
    listener = listener or Silent()
    merged: dict[Shape, int] = {}
    for shape, count in demand:
        if count < 0:
            raise ValueError(f"a demand of {count} pieces is not possible")
        if count:
            merged[shape] = merged.get(shape, 0) + count
    shapes = {**(fixed_shapes or {}), **{s.key: s for s in merged}}
    missing = [p.shape_key for p in fixed if p.shape_key not in shapes]
    if missing:
        raise ValueError(f"no shape with key {missing[0]} was given for a fixed piece")
    plate: _Plate = (spec, tuple(fixed), tuple(sorted({p.shape_key for p in fixed})))
    wanted: Counts = Counter({s.key: n for s, n in merged.items()})
    answer = _certain(spec, merged, [shapes[p.shape_key] for p in fixed]) or _known(plate, wanted)
    if answer is None:
        answer = _quick(spec, merged, seed, fixed, shapes, 1)
    if not answer.fits and answer.status is not Status.INFEASIBLE and stop is not None:
        answer = _deep(spec, merged, stop, seed, listener, fixed, shapes, answer)
    if answer.fits:
        _remember(plate, answer.placements)
    listener.ended(answer.status, answer.reason)
    return answer


def forget_fits() -> None:
    """Drop every remembered yes (for measurements)."""
    _yes.clear()


def _certain(spec: PlateSpec, merged: Mapping[Shape, int], fixed: Sequence[Shape]) -> FitResult | None:
    if not merged:
        return FitResult(Status.FEASIBLE, (), "nothing to place", 0)
    for shape in merged:
        reason = too_large(spec, shape)
        if reason:
            return FitResult(Status.INFEASIBLE, (), reason, 0)
    need = math.fsum(n * s.bound_area_mm2(spec.spacing_mm) for s, n in merged.items())
    need += math.fsum(s.bound_area_mm2(spec.spacing_mm) for s in fixed)
    if need > spec.bound_area_mm2 * (1 + 1e-9) and not fixed:
        reason = f"the pieces with spacing need {need:.0f} mm2, the plate has {spec.bound_area_mm2:.0f} mm2"
        return FitResult(Status.INFEASIBLE, (), reason, 0)
    return None


def _known(plate: _Plate, wanted: Counts) -> FitResult | None:
    for layout in _yes.get(plate, ()):
        if wanted <= Counter(p.shape_key for p in layout):
            left = wanted.copy()
            chosen: list[Placement] = []
            for place in layout:
                if left[place.shape_key] > 0:
                    left[place.shape_key] -= 1
                    chosen.append(place)
            return FitResult(Status.FEASIBLE, tuple(chosen), "part of a set known to fit", 0)
    return None


def _remember(plate: _Plate, layout: tuple[Placement, ...]) -> None:
    known = _yes.setdefault(plate, [])
    _yes.move_to_end(plate)
    counts = Counter(p.shape_key for p in layout)
    if any(counts <= Counter(p.shape_key for p in other) for other in known):
        return
    known[:] = [other for other in known if not Counter(p.shape_key for p in other) <= counts]
    known.append(layout)
    if len(known) > _YES_PER_PLATE:
        known.pop(0)
    if len(_yes) > _PLATES:
        _yes.popitem(last=False)


def _quick(
    spec: PlateSpec,
    merged: Mapping[Shape, int],
    seed: int,
    fixed: Sequence[Placement],
    shapes: Mapping[str, Shape],
    rounds: int,
) -> FitResult:
    packed = pack(spec, list(merged.items()), seed, rounds, fixed, shapes)
    if packed.complete:
        return FitResult(Status.FEASIBLE, packed.placed, "a quick attempt placed all", 0)
    pieces = sum(merged.values())
    reason = f"quick attempts placed {len(packed.placed)} of {pieces} pieces"
    return FitResult(Status.NO_SOLUTION_IN_TIME, packed.placed, reason, 0)


def _deep(
    spec: PlateSpec,
    merged: Mapping[Shape, int],
    stop: Stop,
    seed: int,
    listener: Listener,
    fixed: Sequence[Placement],
    shapes: Mapping[str, Shape],
    first: FitResult,
) -> FitResult:
    started = time.monotonic()
    listener.phase("fit", None)
    total = math.fsum(s.area_mm2 * n for s, n in merged.items())
    best, best_area, work, since = first.placements, _area(first.placements, shapes), 0, 0

    def why() -> str | None:
        return stop.reason(Progress(work, since, -best_area / total, -1.0))

    reason = why()
    if reason is not None:
        return _ended(reason, best, work)
    tuned = deep_spec(spec)
    packed = _quick(tuned, merged, seed, fixed, shapes, _ROUNDS)
    if packed.fits:
        return packed
    if _area(packed.placements, shapes) > best_area:
        best, best_area = packed.placements, _area(packed.placements, shapes)
    search = FitSearch(tuned, merged, seed, fixed, shapes, packed.placements)
    while (reason := why()) is None:
        work += 1
        since += 1
        listener.step(work)
        layout = search.attempt()
        area = _area(layout, shapes)
        if area > best_area + 1e-6:
            best, best_area, since = layout, area, 0
            listener.incumbent(-area / total, time.monotonic() - started)
        if search.complete:
            return FitResult(Status.FEASIBLE, layout, f"deep search placed all in {work} attempts", work)
    return _ended(reason, best, work)


def _ended(reason: str, best: tuple[Placement, ...], work: int) -> FitResult:
    status = Status.CANCELLED if reason == "cancelled" else Status.NO_SOLUTION_IN_TIME
    return FitResult(status, best, reason, work)


def _area(layout: Sequence[Placement], shapes: Mapping[str, Shape]) -> float:
    return math.fsum(shapes[p.shape_key].area_mm2 for p in layout)


class FitSearch:
    """Piece after piece pressed into the plate, from quick layouts in turn; see :class:`router.nesting.separate.Yard`.

    Pieces of the first layout that stand between the cells are taken as fixed.
    """

    def __init__(
        self,
        spec: PlateSpec,
        demand: Mapping[Shape, int],
        seed: int,
        fixed: Sequence[Placement],
        fixed_shapes: Mapping[str, Shape],
        start: Sequence[Placement],
    ) -> None:
        self._shapes = sorted(demand, key=lambda s: (-s.area_mm2, s.key))
        self._numbers = {s.key: k for k, s in enumerate(self._shapes)}
        probe = Yard(spec, self._shapes, seed)
        off = [p for p in start if probe.stand(self._numbers[p.shape_key], p) is None]
        self._loose = tuple(off)
        self._yard = Yard(spec, self._shapes, seed, [*fixed, *off], fixed_shapes)
        self._start = [s for p in start if (s := probe.stand(self._numbers[p.shape_key], p)) is not None]
        self._wanted = Counter({self._numbers[s.key]: n for s, n in demand.items()})
        self._wanted.subtract(Counter(self._numbers[p.shape_key] for p in off))
        self._standing = list(self._start)
        self._failures = 0
        self._round = 0

    @property
    def complete(self) -> bool:
        """Every piece stands."""
        return Counter(s.shape for s in self._standing) == +self._wanted

    def attempt(self) -> tuple[Placement, ...]:
        """One more piece if it can be pressed in; the layout as it stands now."""
        left = +(self._wanted - Counter(s.shape for s in self._standing))
        if left:
            # The hardest first; after failures also the others, so that the plate gets as full as it can.
            order = sorted(left)
            number = order[self._failures % len(order)]
            found = self._yard.separate(self._standing, number, _SWEEPS, _PATIENCE)
            if found is None:
                self._failures += 1
                if self._failures >= _ATTEMPTS * len(order):
                    layout = self._layout()
                    self._begin_again()
                    return layout
            else:
                self._standing = found
                self._failures = 0
        return self._layout()

    def _layout(self) -> tuple[Placement, ...]:
        return (*self._loose, *(self._yard.placement(s) for s in self._standing))

    def _begin_again(self) -> None:
        """All pieces thrown on the plate at once, or the first layout without some pieces."""
        self._round += 1
        self._failures = 0
        # Largest first from the empty plate: positions come from the search's own chance, so every round differs.
        standing: list[Stand] = []
        for number in sorted(self._wanted.elements()):
            found, shared = self._yard.attempt(standing, number, 0)
            if shared == 0:
                standing = found
        self._standing = standing if self._round % 2 else list(self._start)


def first_layout(spec: PlateSpec, demand: Sequence[tuple[Shape, int]]) -> Nest:
    """Greedy largest-first layout (the first answer deep search is measured against)."""
    nest = Nest(spec)
    for shape, count in sorted(demand, key=lambda item: (-item[0].area_mm2, item[0].key)):
        nest.add(shape, count)
    return nest
