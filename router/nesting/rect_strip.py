"""Rectangles in a strip of fixed width, as low as possible: a skyline filled by scores, the order annealed.

The lowest gap of the skyline takes the piece that suits it best (as wide as the gap, level with a neighbour, resting
on the higher wall); among equals the earlier in an order. The order is searched by annealing. Skyline with scores:
Leung, Zhang & Sim (2011), European Journal of Operational Research 215; the annealing schedule is our own. In between,
ever lower bins are filled by maximal free rectangles, which suits lists of long thin pieces better.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from router.nesting.rect_kernels import MOST_FREE, Floats, Ints, State, compiled, draw, fill_bin, noisy_order

_SLACK = 1e-7
_KEYS = 4
#: Share of the height by which an order may be worse in the beginning and in the end of one descent.
_WARM, _COLD = 0.03, 0.001
#: Share of the temperature kept from one call to the next.
_COOLING = 0.98
_CHUNK_PIECES = 4000
#: Every other turn of a list up to so many pieces tries bins lower by this share; pieces in one turn; shaking of sizes.
_SQUEEZE_PIECES, _SQUEEZE, _SQUEEZE_CHUNK = 1000, 1e-3, 2000
_SQUEEZE_NOISES = (0.0, 0.1, 0.3, 0.6)
_RULES = 5


@compiled
def fill_skyline(
    width: float, order: Ints, sizes: Floats, turns: Ints, limit: float, lines: Floats, after: Ints, at: Floats
) -> float:
    """Stand all pieces; returns the height used, or a value above ``limit`` as soon as it is passed.

    ``order``: piece numbers, ``sizes`` (n, 2), ``turns``: 1 as given, 2 turned, 3 either. ``at`` (n, 3)
    gets x, y, turned. Scratch: ``lines`` (n + 3, 3) the skyline as x, y, width; ``after`` (n) the order as a chain.
    """
    n = order.shape[0]
    lines[0, 0], lines[0, 1], lines[0, 2] = 0.0, 0.0, width
    count = 1
    first = 0
    for k in range(n):
        after[k] = k + 1 if k + 1 < n else -1
    top = 0.0
    left = n
    while left > 0:
        low = 0
        for s in range(1, count):
            if lines[s, 1] < lines[low, 1] - _SLACK:
                low = s
        gap, y = lines[low, 2], lines[low, 1]
        wall_left = lines[low - 1, 1] - y if low > 0 else 1e300
        wall_right = lines[low + 1, 1] - y if low + 1 < count else 1e300
        higher, lower = max(wall_left, wall_right), min(wall_left, wall_right)
        best, best_turn, best_score, best_before = -1, 0, -1, -1
        before, k = -1, first
        while k >= 0:
            i = order[k]
            for turn in range(2):
                if turns[i] & (1 << turn) == 0:
                    continue
                w, h = sizes[i, turn], sizes[i, 1 - turn]
                if w > gap + _SLACK:
                    continue
                full = w >= gap - _SLACK
                if full and abs(h - higher) <= _SLACK:
                    score = 6
                elif full and abs(h - lower) <= _SLACK:
                    score = 5
                elif full and h < higher:
                    score = 4
                elif abs(h - higher) <= _SLACK:
                    score = 3
                elif full:
                    score = 2
                elif abs(h - lower) <= _SLACK:
                    score = 1
                else:
                    score = 0
                if score > best_score:
                    best, best_turn, best_score, best_before = k, turn, score, before
            if best_score == 6:
                break
            before, k = k, after[k]
        if best < 0:
            # Nothing fits: the gap is filled up to its lower neighbour.
            if wall_left <= wall_right:
                other = low - 1
                lines[other, 2] += gap
                if wall_left >= wall_right - _SLACK and low + 1 < count:
                    lines[other, 2] += lines[low + 1, 2]
                    _drop(lines, low, count)
                    count -= 1
                _drop(lines, low, count)
                count -= 1
            else:
                lines[low + 1, 0] -= gap
                lines[low + 1, 2] += gap
                _drop(lines, low, count)
                count -= 1
            continue
        i = order[best]
        w, h = sizes[i, best_turn], sizes[i, 1 - best_turn]
        # Against the wall it is level with, otherwise against the higher one.
        to_left = wall_left >= wall_right
        if best_score == 1:
            to_left = not to_left
        x = lines[low, 0] if to_left else lines[low, 0] + gap - w
        at[i, 0], at[i, 1], at[i, 2] = max(x, 0.0), y, float(best_turn)
        if best_before < 0:
            first = after[best]
        else:
            after[best_before] = after[best]
        left -= 1
        top = max(top, y + h)
        if top > limit:
            return float(top + 1e-3 * width * left)
        if w >= gap - _SLACK:
            lines[low, 1] = y + h
        else:
            for s in range(count, low, -1):
                lines[s, 0], lines[s, 1], lines[s, 2] = lines[s - 1, 0], lines[s - 1, 1], lines[s - 1, 2]
            count += 1
            here, rest = (low, low + 1) if to_left else (low + 1, low)
            lines[here, 0], lines[here, 1], lines[here, 2] = x, y + h, w
            lines[rest, 0] = lines[low, 0] if not to_left else x + w
            lines[rest, 1], lines[rest, 2] = y, gap - w
            low = here
        # Level neighbours are one line.
        if low + 1 < count and abs(lines[low + 1, 1] - lines[low, 1]) <= _SLACK:
            lines[low, 2] += lines[low + 1, 2]
            _drop(lines, low + 1, count)
            count -= 1
        if low > 0 and abs(lines[low - 1, 1] - lines[low, 1]) <= _SLACK:
            lines[low - 1, 2] += lines[low, 2]
            _drop(lines, low, count)
            count -= 1
    return float(top)


@compiled
def _drop(lines: Floats, s: int, count: int) -> None:
    for k in range(s, count - 1):
        lines[k, 0], lines[k, 1], lines[k, 2] = lines[k + 1, 0], lines[k + 1, 1], lines[k + 1, 2]


@compiled
def anneal(
    width: float,
    order: Ints,
    sizes: Floats,
    turns: Ints,
    now: float,
    warmth: float,
    tries: int,
    state: State,
    best_order: Ints,
    best: float,
    lines: Floats,
    after: Ints,
    at: Floats,
    goal: float,
    values: Floats,
) -> int:
    """``tries`` swaps or moves of the order at one temperature; ``values`` gets the last and the best height.

    A worse order is kept when it lies below a threshold drawn beforehand, so hopeless fillings stop early.
    """
    n = order.shape[0]
    done = 0
    while done < tries and best > goal:
        done += 1
        a, b = int(draw(state) * n), int(draw(state) * n)
        if a == b:
            continue
        moving = draw(state) < 0.3
        if moving:
            _move(order, a, b)
        else:
            order[a], order[b] = order[b], order[a]
        limit = now - warmth * np.log(max(draw(state), 1e-12))
        value = fill_skyline(width, order, sizes, turns, limit, lines, after, at)
        if value <= limit:
            now = value
            if value < best - 1e-9:
                best = value
                for k in range(n):
                    best_order[k] = order[k]
        elif moving:
            _move(order, b, a)
        else:
            order[a], order[b] = order[b], order[a]
    values[0], values[1] = now, best
    return done


@compiled
def _move(order: Ints, a: int, b: int) -> None:
    """Item at ``a`` to place ``b``, those between shift."""
    item = order[a]
    step = 1 if b > a else -1
    k = a
    while k != b:
        order[k] = order[k + step]
        k += step
    order[b] = item


@dataclass(frozen=True, slots=True)
class BoxStrip:
    """(x, y, turned) of every rectangle in the order of the input, and the height used."""

    places: tuple[tuple[float, float, bool], ...]
    height: float


class BoxStripSearch:
    """Anytime search; every :meth:`improve` works some milliseconds and says whether the strip became lower.

    ``sizes``: (width, height); ``turns``: 1 as given only, 2 turned only, 3 either. ``best`` is there from the start.
    Raises ``ValueError`` for a rectangle wider than the strip in every allowed position.
    """

    def __init__(self, width: float, sizes: Sequence[tuple[float, float]], turns: Sequence[int], seed: int = 0) -> None:
        self._width = float(width)
        self._sizes: Floats = np.array(sizes, dtype=np.float64).reshape(-1, 2)
        narrow = self._sizes <= width + _SLACK
        self._turns: Ints = np.array(turns, dtype=np.int64) & (narrow[:, 0] * 1 + narrow[:, 1] * 2)
        if not (self._turns > 0).all():
            raise ValueError(f"a rectangle is wider than the strip of {width:g}")
        n = len(self._sizes)
        self._lines, self._after, self._at = np.zeros((n + 3, 3)), np.zeros(n, dtype=np.int64), np.zeros((n, 3))
        self._state: State = np.array([(seed * 0x9E3779B97F4A7C15 + 0x1234567) % (1 << 64) or 1], dtype=np.uint64)
        sides = np.where(self._turns == 1, self._sizes[:, 1], self._sizes[:, 0])
        sides = np.where(self._turns == 3, self._sizes.min(axis=1), sides)
        self.bound = max(float(self._sizes.prod(axis=1).sum() / width), float(sides.max()) if n else 0.0)
        self._orders: list[tuple[float, Ints]] = []
        self._free = np.zeros((MOST_FREE + 8, 4))
        self._turn = self._squeezed = 0
        self._height = np.inf
        self._start(0)

    def _start(self, key: int) -> None:
        """One of the sorted orders, filled."""
        n = len(self._sizes)
        order: Ints = np.arange(n, dtype=np.int64)
        noisy_order(order.copy(), n, self._sizes, key, 0.0, self._state, order)
        height = self._fill(order)
        self._orders.append((height, order))
        if height < self._height:
            self._height, self._best_order, self._best_at = height, order.copy(), self._at.copy()
        if len(self._orders) == _KEYS:
            self._orders.sort(key=lambda item: item[0])
            self._restart(0)

    def _fill(self, order: Ints) -> float:
        return float(
            fill_skyline(self._width, order, self._sizes, self._turns, 1e300, self._lines, self._after, self._at)
        )

    def _restart(self, number: int) -> None:
        self._number = number
        self._now, order = self._orders[number % len(self._orders)]
        self._order: Ints = order.copy()
        self._warmth = _WARM

    @property
    def done(self) -> bool:
        """As low as the area allows."""
        return self._height <= self.bound + 1e-6 or len(self._sizes) < 2

    @property
    def height(self) -> float:
        """Height of the lowest strip so far."""
        return float(self._height)

    @property
    def best(self) -> BoxStrip:
        """Lowest strip so far."""
        return BoxStrip(tuple((float(x), float(y), bool(t)) for x, y, t in self._best_at), self.height)

    def improve(self) -> bool:
        """Some swaps at the present temperature, which falls from call to call and starts again when cold."""
        before = self._height
        if len(self._orders) < _KEYS:
            self._start(len(self._orders))
            return self._height < before
        self._turn += 1
        if self._turn % 2 and len(self._sizes) <= _SQUEEZE_PIECES:
            self._squeeze()
            return self._height < before
        values = np.zeros(2)
        tries = max(1, _CHUNK_PIECES // max(len(self._sizes), 1))
        anneal(
            self._width, self._order, self._sizes, self._turns, self._now, self._warmth * self.bound, tries,
            self._state, self._best_order, self._height, self._lines, self._after, self._at, self.bound + 1e-6, values,
        )  # fmt: skip
        self._now = float(values[0])
        if values[1] < self._height:
            self._height = self._fill(self._best_order)
            self._best_at = self._at.copy()
        self._warmth *= _COOLING
        if self._warmth < _COLD:
            self._restart(self._number + 1)
        return self._height < before

    def _squeeze(self) -> None:
        """Fill a bin a little lower than the best strip by maximal free rectangles, in sorted and shaken orders."""
        n = len(self._sizes)
        everything: Ints = np.arange(n, dtype=np.int64)
        order = everything.copy()
        for _ in range(max(1, _SQUEEZE_CHUNK // n)):
            height = max(self.bound, self._height * (1 - _SQUEEZE))
            noise = _SQUEEZE_NOISES[self._squeezed // (_KEYS * _RULES) % len(_SQUEEZE_NOISES)]
            key, rule = self._squeezed % _KEYS, self._squeezed // _KEYS % _RULES
            self._squeezed += 1
            noisy_order(everything, n, self._sizes, key, noise, self._state, order)
            stand = fill_bin(self._width, height, order, n, self._sizes, self._turns, rule, True, self._free, self._at)
            if stand < n:
                continue
            tall = np.where(self._at[:, 2] > 0, self._sizes[:, 0], self._sizes[:, 1])
            self._height, self._best_at = float((self._at[:, 1] + tall).max()), self._at.copy()
            if self.done:
                break
