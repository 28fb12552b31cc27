"""Which pieces are worth most together on one plate?"""

from __future__ import annotations

import math
import random
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from router.kernel.run import Listener, Progress, Silent, Status, Stop
from router.nesting.nest import Nest
from router.nesting.placement import Placement
from router.nesting.plate import PlateSpec
from router.nesting.separate import Stand, Yard, deep_spec
from router.nesting.shape import Shape
from router.nesting.verdict import too_large

_SWEEPS, _PATIENCE = 60, 12
#: Deep placing is tried when the piece shares at most this part of its cells at its best place.
_HOPEFUL = 0.4
#: A changed plate may be worth this much less than the one it came from (escape from dead ends).
_WORSE = 0.03
_BACK_AFTER = 60


@dataclass(frozen=True, slots=True)
class SubsetResult:
    """Pieces chosen. ``value``: their worth; ``bound``: no subset is worth more; ``chosen``: pieces per shape key.

    ``status`` is ``OPTIMAL`` when value and bound meet, else ``FEASIBLE`` or ``CANCELLED``.
    """

    status: Status
    placements: tuple[Placement, ...]
    chosen: dict[str, int]
    value: float
    bound: float
    reason: str
    work: int


def best_subset(
    spec: PlateSpec,
    demand: Sequence[tuple[Shape, int, float]],
    stop: Stop,
    seed: int = 0,
    listener: Listener | None = None,
    fixed: Sequence[Placement] = (),
    fixed_shapes: Mapping[str, Shape] | None = None,
) -> SubsetResult:
    """Most valuable pieces that share the plate with the ``fixed`` ones.

    ``demand``: (shape, copies, value of each copy), values not negative; the same shape must not appear twice.
    Anytime: the first answer is greedy, then pieces are pressed in or take the place of less valuable ones until
    ``stop`` speaks. One unit of work is one such attempt. Raises ``ValueError`` for negative counts or values or a
    shape given twice.
    """
    listener = listener or Silent()
    started = time.monotonic()
    search = SubsetSearch(spec, demand, seed, fixed, fixed_shapes or {})
    listener.phase("best subset", None)
    listener.incumbent(-search.value, time.monotonic() - started)
    work = since = 0
    while True:
        if search.value >= search.bound * (1 - 1e-9):
            reason, status = "value and bound meet", Status.OPTIMAL
            break
        said = stop.reason(Progress(work, since, -search.value, -search.bound))
        if said is not None:
            reason, status = said, Status.CANCELLED if said == "cancelled" else Status.FEASIBLE
            break
        work += 1
        since += 1
        listener.step(work)
        if search.improve():
            since = 0
            listener.incumbent(-search.value, time.monotonic() - started)
    listener.ended(status, reason)
    chosen = Counter(p.shape_key for p in search.layout)
    return SubsetResult(status, search.layout, dict(chosen), search.value, search.bound, reason, work)


class SubsetSearch:
    """State of :func:`best_subset`: ``layout`` and ``value`` are the best so far, ``bound`` the fractional knapsack."""

    def __init__(
        self,
        spec: PlateSpec,
        demand: Sequence[tuple[Shape, int, float]],
        seed: int,
        fixed: Sequence[Placement],
        fixed_shapes: Mapping[str, Shape],
    ) -> None:
        keys = [shape.key for shape, _, _ in demand]
        if len(set(keys)) < len(keys):
            raise ValueError("a shape is given twice; add its copies up or give it one value")
        if any(count < 0 or not value >= 0 for _, count, value in demand):
            raise ValueError("counts and values must not be negative")
        wanted = [(s, n, v) for s, n, v in demand if n and not too_large(spec, s)]
        wanted.sort(key=lambda item: (-item[0].area_mm2, item[0].key))
        self._shapes = [s for s, _, _ in wanted]
        self._counts = [n for _, n, _ in wanted]
        self._worth = [float(v) for _, _, v in wanted]
        self._numbers = {s.key: k for k, s in enumerate(self._shapes)}
        self._area = [s.bound_area_mm2(spec.spacing_mm) for s in self._shapes]
        self._chance = random.Random(seed)
        known = {**fixed_shapes, **{s.key: s for s, _, _ in demand}}
        self._room = spec.bound_area_mm2 * (1 + 1e-9)
        # Fixed pieces may stand outside the usable region, so only an empty plate has this bound in full.
        if not fixed:
            self.bound = self._knapsack()
        else:
            self.bound = math.fsum(n * v for n, v in zip(self._counts, self._worth, strict=True))
        self.layout: tuple[Placement, ...] = ()
        self.value = 0.0
        self._spec = deep_spec(spec)
        start = self._greedy(fixed, known)
        probe = Yard(self._spec, self._shapes, seed)
        self._loose = tuple(p for p in start if probe.stand(self._numbers[p.shape_key], p) is None)
        self._yard = Yard(self._spec, self._shapes, seed, [*fixed, *self._loose], known)
        self._best = [s for p in start if (s := probe.stand(self._numbers[p.shape_key], p)) is not None]
        self._now = list(self._best)
        self._since = 0
        for place in self._loose:
            self._counts[self._numbers[place.shape_key]] -= 1

    def _knapsack(self) -> float:
        """Most value the dilated area allows when pieces could be cut."""
        room, total = self._room, 0.0
        order = sorted(range(len(self._shapes)), key=lambda k: -self._worth[k] / self._area[k])
        for k in order:
            part = min(self._counts[k] * self._area[k], room)
            total += part / self._area[k] * self._worth[k]
            room -= part
        return total

    def _greedy(self, fixed: Sequence[Placement], known: Mapping[str, Shape]) -> tuple[Placement, ...]:
        keys = range(len(self._shapes))
        orders = (
            sorted(keys, key=lambda k: (-self._worth[k] / self._area[k], k)),
            sorted(keys, key=lambda k: (-self._worth[k], k)),
            list(keys),
        )
        empty = Nest.of(self._spec, known, fixed)
        for order in orders:
            nest = empty.copy()
            for k in order:
                nest.add(self._shapes[k], self._counts[k])
            layout = tuple(nest.placements[len(fixed) :])
            value = math.fsum(self._worth[self._numbers[p.shape_key]] for p in layout)
            if value > self.value or not self.layout:
                self.layout, self.value = layout, value
        return self.layout

    def _worth_of(self, standing: Sequence[Stand]) -> float:
        loose = math.fsum(self._worth[self._numbers[p.shape_key]] for p in self._loose)
        return loose + math.fsum(self._worth[s.shape] for s in standing)

    def improve(self) -> bool:
        """One attempt: press in a piece that is not there, with nothing or some cheaper pieces leaving."""
        on = Counter(s.shape for s in self._now)
        off = [k for k in range(len(self._shapes)) if on[k] < self._counts[k] and self._worth[k] > 0]
        if not off:
            return False
        self._since += 1
        if self._since % _BACK_AFTER == 0:
            self._now = list(self._best)
            return False
        number = self._chance.choices(off, weights=[self._worth[k] for k in off])[0]
        out: list[int] = []
        if self._now and self._chance.random() < 0.7:
            many = min(self._chance.choice((1, 1, 2, 3)), len(self._now))
            out = self._chance.sample(range(len(self._now)), many)
        kept = [s for i, s in enumerate(self._now) if i not in out]
        gain = self._worth[number] - math.fsum(self._worth[self._now[i].shape] for i in out)
        if self._worth_of(self._now) + gain < self.value * (1 - _WORSE):
            return False
        load = math.fsum(self._area[s.shape] for s in kept) + self._area[number]
        if load > self._room or (out and all(self._now[i].shape == number for i in out)):
            return False
        found = self._press(kept, number)
        if found is None:
            return False
        self._now = self._top_up(found)
        value = self._worth_of(self._now)
        if value <= self.value * (1 + 1e-12):
            return False
        self._best, self.value, self._since = list(self._now), value, 0
        self.layout = (*self._loose, *(self._yard.placement(s) for s in self._best))
        return True

    def _press(self, standing: Sequence[Stand], number: int) -> list[Stand] | None:
        found, shared = self._yard.attempt(standing, number, 0)
        if shared == 0:
            return found
        if shared > _HOPEFUL * self._yard.cells_of(number):
            return None
        return self._yard.separate(found, -1, _SWEEPS, _PATIENCE)

    def _top_up(self, standing: list[Stand]) -> list[Stand]:
        """What still finds room as the plate stands."""
        on = Counter(s.shape for s in standing)
        load = math.fsum(self._area[s.shape] for s in standing)
        for k in sorted(range(len(self._shapes)), key=lambda k: (-self._worth[k], k)):
            while on[k] < self._counts[k] and self._worth[k] > 0 and load + self._area[k] <= self._room:
                found, shared = self._yard.attempt(standing, k, 0)
                if shared:
                    break
                standing = found
                on[k] += 1
                load += self._area[k]
        return standing
