"""Search for few plates: empty one plate after the other, homes for its pieces found by deep placing and ejection."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence

from router.nesting.nest import Nest
from router.nesting.placement import Placement
from router.nesting.plate import PlateSpec
from router.nesting.separate import Stand, Yard, deep_spec
from router.nesting.shape import Shape
from router.nesting.verdict import too_large

#: Least overlap sweeps without progress before one placing attempt is given up, and sweeps in all.
_PATIENCE = 7
_SWEEPS = 60
#: Plates looked at for a plain insertion, and sets of pieces tried for ejection, for every homeless piece.
_INSERTIONS = 3
_PROBES = 40
_EJECTIONS = 3
_EXCHANGES = 2
#: Deep placing is tried when the piece shares at most this part of its cells at its best place.
_HOPEFUL = 0.3
_HOPELESS = 1 << 40
#: A set that failed this often is not tried again.
_FAILURES = 2

Set = tuple[int, ...]


class PlateSearch:
    """Anytime search; every :meth:`improve` does one unit of work and says whether the best answer has fewer plates.

    Pieces that only fit an empty plate exactly (between the grid's cells) keep a plate of their own, filled greedily
    once. ``halt`` is asked inside a unit of work and ends it early. Raises ``ValueError`` for a shape that fits no
    empty plate.
    """

    def __init__(self, spec: PlateSpec, demand: Sequence[tuple[Shape, int]], seed: int = 0) -> None:
        merged: dict[Shape, int] = {}
        for shape, count in demand:
            if count < 0:
                raise ValueError(f"a demand of {count} pieces is not possible")
            merged[shape] = merged.get(shape, 0) + count
        self.shapes = [s for s, n in sorted(merged.items(), key=lambda item: (-item[0].area_mm2, item[0].key)) if n]
        self.spec = deep_spec(spec)
        self._chance = random.Random(seed)
        self._numbers = {shape.key: k for k, shape in enumerate(self.shapes)}
        self._area = [shape.bound_area_mm2(spec.spacing_mm) for shape in self.shapes]
        self._room = spec.bound_area_mm2 * (1 + 1e-9)
        pieces = [self._numbers[s.key] for s in self.shapes for _ in range(merged[s])]
        self.bound = max(1, math.ceil(sum(self._area[p] for p in pieces) / self._room - 1e-9)) if pieces else 0
        self.work = 0
        self.best: list[tuple[Placement, ...]] = []
        self._frozen: list[Nest] = []
        self._yard = Yard(self.spec, self.shapes, seed)
        self._pieces = self._freeze_lone(pieces)
        self.halt: Callable[[], bool] = lambda: False
        self._known: dict[Set, tuple[Stand, ...]] = {}
        self._failed: dict[Set, int] = {}
        self._plates: list[list[Stand]] = []
        self._homeless: list[int] = []
        self._hard: list[float] = []
        self._best_plates: list[list[Stand]] = []
        self._starts = self._start_orders()
        self._open = False
        self._tried = 0

    @property
    def done(self) -> bool:
        """As few plates as the area bound allows."""
        return not self._starts and len(self.best) <= self.bound

    def improve(self) -> bool:
        """One greedy start, or one homeless piece housed (perhaps at the cost of others)."""
        self.work += 1
        if self._starts:
            return self._greedy(*self._starts.pop())
        if len(self._best_plates) <= 1:
            return False
        if not self._open:
            self._empty_one()
        tried = self._tried
        self._house()
        if self._homeless:
            if self._tried == tried:
                # All neighbours are known failures: give them another chance, chance is part of the search.
                self._failed.clear()
            return False
        self._open = False
        self._best_plates = [list(plate) for plate in self._plates]
        self._read()
        return True

    def _freeze_lone(self, pieces: list[int]) -> list[int]:
        """Pieces that no cell position holds stand exactly on plates of their own; others join where they fit."""
        rest: list[int] = []
        for number, shape in enumerate(self.shapes):
            count = pieces.count(number)
            nest = Nest(self.spec)
            if not nest.add(shape):
                reason = too_large(self.spec, shape) or "no position of it on the empty plate was found"
                raise ValueError(f"shape {shape.key}: {reason}")
            if self._on_grid(nest.placements[0]):
                rest.extend([number] * count)
                continue
            self._frozen.append(nest)
            for _ in range(count - 1):
                other = Nest(self.spec)
                other.add(shape)
                self._frozen.append(other)
        return [p for p in rest if not any(nest.add(self.shapes[p]) for nest in self._frozen)]

    def _on_grid(self, place: Placement) -> bool:
        return self._yard.stand(self._numbers[place.shape_key], place) is not None

    def _start_orders(self) -> list[tuple[int, bool]]:
        starts = [(0, True), (2, False), (1, False), (0, False)]
        return starts if self._pieces else []

    def _greedy(self, key: int, snug: bool) -> bool:
        def size(number: int) -> tuple[float, ...]:
            shape = self.shapes[number]
            wide, deep = shape.size_mm()
            keys = (shape.area_mm2, max(wide, deep), wide * deep)
            return (-keys[key], -shape.area_mm2, float(number))

        nests: list[Nest] = []
        for number in sorted(self._pieces, key=size):
            shape = self.shapes[number]
            if any(nest.add(shape, snug=snug) for nest in nests):
                continue
            nests.append(Nest(self.spec))
            nests[-1].add(shape)
        if self._best_plates and len(nests) >= len(self._best_plates):
            return False
        plates: list[list[Stand]] = []
        for nest in nests:
            stands = [self._yard.stand(self._numbers[p.shape_key], p) for p in nest.placements]
            plates.append([s for s in stands if s is not None])
        self._best_plates = plates
        self._open = False
        self._read()
        return True

    def _read(self) -> None:
        frozen = [tuple(nest.placements) for nest in self._frozen]
        self.best = frozen + [tuple(self._yard.placement(s) for s in plate) for plate in self._best_plates]

    def _load(self, plate: Sequence[Stand]) -> float:
        return math.fsum(self._area[s.shape] for s in plate)

    def _empty_one(self) -> None:
        plates = sorted((list(plate) for plate in self._best_plates), key=self._load)
        self._homeless = sorted((s.shape for s in plates[0]), key=lambda p: self._area[p])
        self._plates = plates[1:]
        self._hard = [1.0] * len(self.shapes)
        self._open = True

    def _fits(self, plate: Sequence[Stand], extra: int) -> list[Stand] | None:
        """Plate with one more piece: known, or by separation from where the others stand."""
        found, shared = self._probe(plate, extra)
        if shared == 0:
            return found
        return self._deepen(found) if shared <= _HOPEFUL * self._yard.cells_of(extra) else None

    def _probe(self, plate: Sequence[Stand], extra: int) -> tuple[list[Stand], int]:
        """Best place for the piece while the others stay, and the cells it still shares (0: fits)."""
        key = tuple(sorted([*(s.shape for s in plate), extra]))
        known = self._known.get(key)
        if known is not None:
            return list(known), 0
        if self._failed.get(key, 0) >= _FAILURES:
            return [], _HOPELESS
        self._tried += 1
        found, shared = self._yard.attempt(plate, extra, 0)
        if shared == 0:
            self._known[key] = tuple(found)
        return found, shared

    def _deepen(self, stands: list[Stand]) -> list[Stand] | None:
        key = tuple(sorted(s.shape for s in stands))
        found = self._yard.separate(stands, -1, _SWEEPS, _PATIENCE)
        if found is None:
            self._failed[key] = self._failed.get(key, 0) + 1
        else:
            self._known[key] = tuple(found)
        return found

    def _house(self) -> None:
        piece = self._homeless.pop()
        area = self._area[piece]
        loads = [self._load(plate) for plate in self._plates]
        near: list[tuple[int, int, list[Stand]]] = []
        for b, load in enumerate(loads):
            if load + area > self._room:
                continue
            if self.halt():
                self._homeless.append(piece)
                return
            found, shared = self._probe(self._plates[b], piece)
            if shared == 0:
                self._plates[b] = found
                return
            near.append((shared, b, found))
        near.sort(key=lambda item: item[:2])
        limit = _HOPEFUL * self._yard.cells_of(piece)
        for shared, b, found in near[:_INSERTIONS]:
            deeper = self._deepen(found) if shared <= limit and not self.halt() else None
            if deeper is not None:
                self._plates[b] = deeper
                return
        self._hard[piece] += 1.0
        if not self._eject(piece, loads):
            self._homeless.insert(0, piece)
        for _ in range(_EXCHANGES):
            if not self.halt():
                self._exchange()

    def _eject(self, piece: int, loads: list[float]) -> bool:
        """The piece takes the place of the cheapest others found (failures times area)."""
        area = self._area[piece]
        options: list[tuple[float, int, list[int]]] = []
        for b, plate in enumerate(self._plates):
            for _ in range(4):
                many = min(self._chance.choice((1, 1, 2, 2, 3)), len(plate))
                out = self._chance.sample(range(len(plate)), many)
                gone = math.fsum(self._area[plate[i].shape] for i in out)
                if loads[b] - gone + area > self._room or any(plate[i].shape == piece for i in out):
                    continue
                cost = math.fsum(self._hard[plate[i].shape] * self._area[plate[i].shape] for i in out)
                options.append((cost * self._chance.uniform(0.8, 1.25), b, out))
        options.sort()
        limit = _HOPEFUL * self._yard.cells_of(piece)
        tried = 0
        for _, b, out in options[:_PROBES]:
            if self.halt():
                break
            kept = [s for i, s in enumerate(self._plates[b]) if i not in out]
            found, shared = self._probe(kept, piece)
            if 0 < shared <= limit and tried < _EJECTIONS:
                tried += 1
                deeper = self._deepen(found)
                if deeper is not None:
                    found, shared = deeper, 0
            if shared == 0:
                leaving = sorted((self._plates[b][i].shape for i in out), key=lambda p: self._area[p])
                self._plates[b] = found
                self._homeless.extend(leaving)
                return True
        return False

    def _exchange(self) -> None:
        """One piece of a plate against one (or none) of another, when both plates still close."""
        if len(self._plates) < 2:
            return
        a, b = self._chance.sample(range(len(self._plates)), 2)
        if not self._plates[a]:
            return
        i = self._chance.randrange(len(self._plates[a]))
        j = self._chance.randrange(len(self._plates[b]) + 1)
        mine = self._plates[a][i].shape
        without_a = self._plates[a][:i] + self._plates[a][i + 1 :]
        without_b = self._plates[b][:j] + self._plates[b][j + 1 :]
        if self._load(without_b) + self._area[mine] > self._room:
            return
        yours = self._plates[b][j].shape if j < len(self._plates[b]) else -1
        if yours == mine or (yours >= 0 and self._load(without_a) + self._area[yours] > self._room):
            return
        new_b = self._fits(without_b, mine)
        if new_b is None:
            return
        new_a = self._fits(without_a, yours) if yours >= 0 else without_a
        if new_a is not None:
            self._plates[a], self._plates[b] = new_a, new_b
