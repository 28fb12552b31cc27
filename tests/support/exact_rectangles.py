"""Rooms for tests whose answer depends only on what is on the plate: rectangles on a small board, by trying them all.

Unlike a nest, which fills up in the order things happen, this answers alike however a plate came about, so an exact
model and a search can ask the same question.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from router.scheduling.rooms import Held


class ExactRectangles:
    """Rectangles of whole cells, not turned, on boards of whole cells. The last size is a coupon's (shape -1)."""

    def __init__(self, sizes: Sequence[tuple[int, int]], boards: Sequence[tuple[int, int]]) -> None:
        self._sizes = tuple(sizes)
        self._boards = tuple(boards)
        self._known: dict[tuple[int, tuple[int, ...]], bool] = {}

    def empty(self, plate: int) -> Held:
        return ()

    def more(self, held: Held, plate: int, shape: int, pieces: int) -> tuple[Held, int]:
        shape %= len(self._sizes)
        placed = 0
        while placed < pieces:
            wider = tuple(sorted((*held, shape)))
            if not self.fits(plate, wider):
                break
            held = wider
            placed += 1
        return held, placed

    def known_most(self, held: Held, shape: int) -> int | None:
        return None

    def less(self, held: Held, plate: int, drop: Mapping[int, int]) -> Held:
        left = list(held)
        for shape, many in drop.items():
            for _ in range(many):
                left.remove(shape % len(self._sizes))
        return tuple(left)

    def fits(self, plate: int, shapes: tuple[int, ...]) -> bool:
        """Whether the rectangles find room together; every arrangement is tried."""
        key = (plate, shapes)
        known = self._known.get(key)
        if known is None:
            width, depth = self._boards[plate]
            sizes = sorted((self._sizes[s] for s in shapes), key=lambda s: (-s[0] * s[1], s))
            free = sum(w * d for w, d in sizes) <= width * depth
            known = self._known[key] = free and _place(sizes, 0, width, depth, 0)
        return known


def _place(sizes: Sequence[tuple[int, int]], n: int, width: int, depth: int, taken: int) -> bool:
    if n == len(sizes):
        return True
    w, d = sizes[n]
    for y in range(depth - d + 1):
        for x in range(width - w + 1):
            cells = 0
            for row in range(y, y + d):
                cells |= ((1 << w) - 1) << (row * width + x)
            if not taken & cells and _place(sizes, n + 1, width, depth, taken | cells):
                return True
    return False
