"""What finds room on a plate: real outlines nested, or a mere sum of sizes. A plate's contents are a ``held`` value."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from router.nesting import Nest, PlateSpec, Shape, contact_fit, lattice_fit, room_for

Held = Any
"""What a room remembers of one plate's contents; treated as a value."""

_FEW = 16
"""Most pieces on a plate for which a search over positions follows when the quick answer is no."""
_REFUSALS = 2
"""A set refused so often in one arrangement or another is not tried again."""
_REMEMBERED = 30_000
"""Sets remembered at most."""
COUPON = -1
"""Shape index of a witness coupon."""


class Rooms(Protocol):
    """Decides what fits. ``plate`` is the class of a machine's plate, ``shape`` an index; -1 is a witness coupon."""

    def empty(self, plate: int) -> Held:
        """Contents of an empty plate."""

    def more(self, held: Held, plate: int, shape: int, pieces: int) -> tuple[Held, int]:
        """Up to so many more pieces; the contents with them and how many found room. ``held`` stays as it is."""

    def less(self, held: Held, plate: int, drop: Mapping[int, int]) -> Held:
        """The contents without so many pieces of each shape. ``held`` stays as it is."""

    def known_most(self, held: Held, shape: int) -> int | None:
        """How many more pieces found room when more were asked for; None when nobody asked."""


class SumRooms:
    """Room is a sum: pieces of given sizes fit while their sum does not pass the plate's size."""

    def __init__(self, sizes: Sequence[float], plates: Sequence[float]) -> None:
        self._sizes = sizes
        self._plates = plates

    def empty(self, plate: int) -> Held:
        return 0.0

    def more(self, held: Held, plate: int, shape: int, pieces: int) -> tuple[Held, int]:
        size = self._sizes[shape]
        room = self._plates[plate] - held + 1e-9
        placed = pieces if size <= 0 else min(pieces, int(room / size))
        return held + placed * size, placed

    def less(self, held: Held, plate: int, drop: Mapping[int, int]) -> Held:
        return held - sum(self._sizes[shape] * n for shape, n in drop.items())

    def known_most(self, held: Held, shape: int) -> int | None:
        return None


class Contents:
    """What stands on a plate: how many of each shape, and where once somebody asks."""

    __slots__ = ("base", "counts", "drop", "known_nest", "most")

    def __init__(self, counts: dict[int, int], nest: Nest | None, most: dict[int, int] | None = None) -> None:
        self.counts = counts
        self.known_nest = nest
        self.most: dict[int, int] = {} if most is None else most
        """By shape how many more found room where more were asked for; shared by all in which the same pieces stand on
        the same places."""
        self.base: Contents | None = None
        self.drop: Mapping[int, int] = {}

    def __reduce__(self) -> tuple[Any, ...]:
        """On its way to another process a plate goes without its bitmap, which is most of its weight."""
        nest = None if self.known_nest is None else self.known_nest.lean()
        return _sent, (self.counts, nest, self.base, self.drop)


def _sent(counts: dict[int, int], nest: Nest | None, base: Contents | None, drop: Mapping[int, int]) -> Contents:
    made = Contents(counts, nest)
    made.base, made.drop = base, drop
    return made


_Key = tuple[int, tuple[tuple[int, int], ...]]


def _key(plate: int, counts: Mapping[int, int]) -> _Key:
    """What a set of pieces on a class of plate is remembered by."""
    return plate, tuple(sorted(counts.items()))


class NestRooms:
    """Real outlines on real plates.

    Sets that once stood on a plate are remembered, so that pieces taken off and put back find their places again. With
    ``lattice_mm``, few pieces get a second opinion in exact contact when the quick answer is no.
    """

    def __init__(
        self,
        specs: Sequence[PlateSpec],
        shapes: Sequence[Shape],
        coupon: Shape | None = None,
        lattice_mm: float = 0.0,
        lattice_nodes: int = 2_000,
        contacts: int = 20,
    ) -> None:
        """``lattice_mm``: step of the second opinion, 0 for none; then so many tries at exact contact."""
        self._specs = specs
        self._shapes = [*shapes, coupon]
        self._lattice_mm = lattice_mm
        self._lattice_nodes = lattice_nodes
        self._contacts = contacts
        self._stood: dict[_Key, Contents] = {}
        self._refusals: dict[_Key, int] = {}

    def __getstate__(self) -> dict[str, Any]:
        """What is remembered stays at home: another process learns for itself."""
        return {**self.__dict__, "_stood": {}, "_refusals": {}}

    def empty(self, plate: int) -> Held:
        return Contents({}, Nest(self._specs[plate]))

    def more(self, held: Held, plate: int, shape: int, pieces: int) -> tuple[Held, int]:
        outline = self._shapes[shape]
        assert outline is not None
        fresh = not held.counts
        if fresh:
            pieces = max(1, room_for(self._specs[plate], outline, pieces))
        counts = {**held.counts, shape: held.counts.get(shape, 0) + pieces}
        key = _key(plate, counts)
        known = self._stood.get(key)
        if known is not None:
            return self._again(known), pieces
        most = held.most.get(shape, pieces)
        if most < pieces:
            return self.more(held, plate, shape, most) if most else (held, 0)
        refused = self._refusals.get(key, 0)
        if refused >= _REFUSALS and pieces == 1:
            return held, 0
        nest = self.nest(held).copy()
        placed = nest.add(outline, pieces)
        if placed == 0:
            second = self._opinion(held, plate, shape) if refused == 0 else None
            if second is None:
                self._refusals[key] = refused + 1
                held.most[shape] = 0
                return held, 0
            nest, placed = second, 1
        elif placed < pieces:
            held.most[shape] = placed
        counts[shape] += placed - pieces
        made = Contents(counts, nest)
        self._remember(plate, made)
        return made, placed

    def _remember(self, plate: int, contents: Contents) -> None:
        if len(self._stood) >= _REMEMBERED:
            for old in list(self._stood)[: _REMEMBERED // 4]:
                del self._stood[old]
        if len(self._refusals) >= 4 * _REMEMBERED:
            self._refusals.clear()
        self._stood[_key(plate, contents.counts)] = self._again(contents)

    def _again(self, known: Contents) -> Contents:
        # A value of its own, so that what is remembered stays without a bitmap.
        assert known.known_nest is not None
        return Contents(known.counts, known.known_nest.lean(), known.most)

    def less(self, held: Held, plate: int, drop: Mapping[int, int]) -> Held:
        counts = {shape: n - drop.get(shape, 0) for shape, n in held.counts.items() if n > drop.get(shape, 0)}
        fewer = Contents(counts, None)
        fewer.base, fewer.drop = held, drop
        known = self._stood.get(_key(plate, counts))
        return fewer if known is None else self._again(known)

    def known_most(self, held: Held, shape: int) -> int | None:
        most: int | None = held.most.get(shape)
        return most

    def nest(self, held: Held) -> Nest:
        """The contents as a plate of the nesting engine."""
        nest: Nest | None = held.known_nest
        if nest is None:
            nest = self.nest(held.base).lean()
            drop: dict[str, int] = {}
            for shape, many in held.drop.items():
                outline = self._shapes[shape]
                assert outline is not None
                drop[outline.key] = drop.get(outline.key, 0) + many
            nest.take_off(drop)
            held.known_nest = nest
            held.base = None
        return nest

    def _opinion(self, held: Contents, plate: int, shape: int) -> Nest | None:
        """All pieces together, and one more, on lattice positions or in contact; None when neither finds places."""
        if self._lattice_mm <= 0 or not 0 < sum(held.counts.values()) < _FEW:
            return None
        spec = self._specs[plate]
        counts = {**held.counts, shape: held.counts.get(shape, 0) + 1}
        pieces = [s for i, n in sorted(counts.items()) if (s := self._shapes[i]) is not None for _ in range(n)]
        if sum(s.area_mm2 for s in pieces) > spec.usable_area_mm2:
            return None
        answer = lattice_fit(spec, pieces, self._lattice_mm, self._lattice_nodes)
        placements = answer.placements or contact_fit(spec, pieces, self._contacts)
        return Nest.of(spec, {s.key: s for s in pieces}, placements) if placements else None
