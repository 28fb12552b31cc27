"""Rectangles on rectangular plates: exact positions without a grid, fewest bins by ejection."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from router.nesting.rect_kernels import eject, fill_bins

Box = tuple[float, float]

_STARTS = 60
_CHUNK_ROUNDS = 20
_RULES = 5
#: A limit just above a piece's share counts its complement as a full side.
_ABOVE = 1e-6
_KEYS = 4


@dataclass(frozen=True, slots=True)
class BoxPlace:
    """Where one rectangle stands: bin number, lower-left corner, turned by 90 degrees or not."""

    bin: int
    x: float
    y: float
    turned: bool


@dataclass(frozen=True, slots=True)
class BoxBins:
    """Rectangles in bins: one place per piece, in the order of the input."""

    places: tuple[BoxPlace, ...]
    bins: int


class BoxSearch:
    """Anytime search for few bins; every call of :meth:`improve` works a little and tells whether bins became fewer.

    ``sizes``: (width, height) of every piece; ``turns``: 1 as given only, 2 turned only, 3 either. Raises
    ``ValueError`` for a piece that fits no empty bin.
    """

    def __init__(self, bin_size: Box, sizes: Sequence[Box], turns: Sequence[int], seed: int = 0) -> None:
        self._w, self._h = float(bin_size[0]), float(bin_size[1])
        self._sizes = np.array(sizes, dtype=np.float64).reshape(-1, 2)
        self._turns = np.array(turns, dtype=np.int64)
        for number, ((w, h), turn) in enumerate(zip(sizes, turns, strict=True), start=1):
            upright = turn & 1 and w <= self._w + 1e-7 and h <= self._h + 1e-7
            across = turn & 2 and h <= self._w + 1e-7 and w <= self._h + 1e-7
            if not upright and not across:
                raise ValueError(f"piece {number} of {w:g} x {h:g} fits no bin of {self._w:g} x {self._h:g}")
        self._state = np.array([(seed * 0x9E3779B97F4A7C15 + 0x1234567) % (1 << 64) or 1], dtype=np.uint64)
        self.bound = bin_bound(bin_size, sizes, turns)
        self._starts = self._start_variants()
        self._start = next(self._starts, None)
        self.best: BoxBins | None = None
        self.work = 0
        self._reset_working()

    def _reset_working(self) -> None:
        self._members: npt.NDArray[np.int64] | None = None

    def _start_variants(self) -> Iterator[tuple[int, float, int]]:
        for noise in (0.0, 0.3, 0.6):
            for key in range(_KEYS):
                for rule in range(_RULES):
                    yield key, noise, rule

    @property
    def done(self) -> bool:
        """Fewest bins proven."""
        return self.best is not None and self.best.bins <= self.bound

    def improve(self) -> bool:
        """One unit of work: a greedy start, or some ejection rounds. True when the best answer became better."""
        self.work += 1
        if self._start is not None:
            better = self._greedy(*self._start)
            self._start = next(self._starts, None)
            return better
        if self.done or self.best is None or self.best.bins <= 1:
            return False
        if self._members is None:
            self._open(self.best)
        assert self._members is not None
        used = eject(
            self._w,
            self._h,
            self._sizes,
            self._turns,
            self._members,
            self._filled,
            self._bins,
            self._homeless,
            self._counters,
            self._at,
            self._state,
            _CHUNK_ROUNDS,
        )
        if used > 0:
            return False
        self.best = self._read(self._bins, self._members, self._filled, self._at)
        self._members = None
        return True

    def _greedy(self, key: int, noise: float, rule: int) -> bool:
        n = len(self._sizes)
        most = n if self.best is None else self.best.bins - 1
        members = np.zeros((most + 1, n), dtype=np.int64)
        filled = np.zeros(most + 1, dtype=np.int64)
        at = np.zeros((n, 3))
        bins = fill_bins(
            self._w, self._h, self._sizes, self._turns, key, noise, rule, most, self._state, members, filled, at
        )
        if bins > most:
            return False
        self.best = self._read(bins, members, filled, at)
        return True

    @staticmethod
    def _read(
        bins: int, members: npt.NDArray[np.int64], filled: npt.NDArray[np.int64], at: npt.NDArray[np.float64]
    ) -> BoxBins:
        places: dict[int, BoxPlace] = {}
        for b in range(bins):
            for i in members[b, : filled[b]].tolist():
                places[i] = BoxPlace(b, float(at[i, 0]), float(at[i, 1]), bool(at[i, 2]))
        return BoxBins(tuple(places[i] for i in range(len(places))), bins)

    def _open(self, best: BoxBins) -> None:
        """Empty the bin with the least area: its pieces are homeless."""
        n = len(self._sizes)
        groups: list[list[int]] = [[] for _ in range(best.bins)]
        for i, place in enumerate(best.places):
            groups[place.bin].append(i)
        area = self._sizes[:, 0] * self._sizes[:, 1]
        groups.sort(key=lambda g: float(area[g].sum()))
        out = sorted(groups[0], key=lambda i: float(area[i]))
        self._homeless = np.zeros(n + 2, dtype=np.int64)
        self._homeless[0] = len(out)
        self._homeless[1 : 1 + len(out)] = out
        self._bins = best.bins - 1
        self._members = np.zeros((self._bins, n), dtype=np.int64)
        self._filled = np.zeros(self._bins, dtype=np.int64)
        for b, group in enumerate(groups[1:]):
            self._members[b, : len(group)] = group
            self._filled[b] = len(group)
        self._at = np.array([(p.x, p.y, float(p.turned)) for p in best.places])
        self._counters = np.ones(n)


def bin_bound(bin_size: Box, sizes: Sequence[Box], turns: Sequence[int]) -> int:
    """No packing needs fewer bins: area, and areas stretched by dual feasible functions on both sides.

    A function f with sum f(x) <= 1 whenever sum x <= 1 turns an infeasible set into one of larger area (Fekete &
    Schepers 2004, Mathematical Methods of Operations Research 60). A piece that may turn counts with the smaller of
    its two stretched areas.
    """
    if not sizes:
        return 0
    w, h = float(bin_size[0]), float(bin_size[1])
    given = np.array(sizes, dtype=np.float64)
    turn = np.array(turns)
    # A rotation in which the piece fits no bin is none.
    turn = np.where((given <= [w + 1e-7, h + 1e-7]).all(axis=1), turn, turn & 2)
    turn = np.where((given[:, ::-1] <= [w + 1e-7, h + 1e-7]).all(axis=1), turn, turn & 1)
    across = given / [w, h]
    over = given[:, ::-1] / [w, h]
    best = 0.0
    shares = sorted({round(min(v, 1 - v), 9) for v in np.concatenate((across, over)).ravel() if 0 < v < 1})
    shares = [s for s in shares if s <= 0.5]
    if len(shares) > 40:
        shares = shares[:: len(shares) // 40 + 1]
    above = sorted({min(s + _ABOVE, 0.5) for s in shares} | {0.5})
    tables = [(_identity(across), _identity(over))]
    tables += [(_drop_small(across, s), _drop_small(over, s)) for s in above]
    tables += [(_half_steps(across, s), _half_steps(over, s)) for s in shares]
    for fa, fo in tables:
        for ga, go in tables:
            plain = fa[:, 0] * ga[:, 1]
            turned = fo[:, 0] * go[:, 1]
            value = np.where(turn == 1, plain, np.where(turn == 2, turned, np.minimum(plain, turned)))
            best = max(best, float(value.sum()))
    return max(1, math.ceil(best - 1e-6))


Shares = npt.NDArray[np.float64]


def _identity(x: Shares) -> Shares:
    return x


def _drop_small(x: Shares, limit: float) -> Shares:
    """Pieces above 1 - limit count as 1, those below limit as 0, the rest as themselves."""
    return np.where(x > 1 - limit + 1e-9, 1.0, np.where(x < limit - 1e-9, 0.0, x))


def _half_steps(x: Shares, limit: float) -> Shares:
    """Above a half: 1 less the share of whole ``limit`` pieces that still fit beside it; below: whole pieces."""
    whole = math.floor(1 / limit + 1e-9)
    above = 1.0 - np.floor((1.0 - x) / limit + 1e-9) / whole
    below = np.floor(x / limit + 1e-9) / whole
    return np.where(x > 0.5 + 1e-9, above, np.where(x < 0.5 - 1e-9, below, 0.5))
