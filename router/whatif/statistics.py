"""What simulated figures can tell: intervals, paired differences on common random numbers, replications to go.

Replications are independent of each other; within one replication all scenarios live through the same orders, so a
difference is taken pair by pair and the chance that both share drops out. Formulas: Student's t (1908, *Biometrika*
6); paired t intervals and common random numbers as in Law, *Simulation Modeling and Analysis*, on comparing systems
(from memory); Bonferroni's inequality where several differences are judged together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt
from scipy import stats

Floats = npt.NDArray[np.float64]

_MOST_REPLICATIONS = 1_000_000
"""A difference that would need more is as good as none."""


class Verdict(StrEnum):
    """What an interval says of a difference."""

    LOWER = "lower"
    HIGHER = "higher"
    WITHIN_NOISE = "within noise"
    SAME = "the same in every replication"
    TOO_FEW = "too few replications to tell"


@dataclass(frozen=True, slots=True)
class Interval:
    """A mean and its two-sided confidence interval ``mean +- half_width``; ``half_width`` is None for one value."""

    mean: float
    half_width: float | None
    level: float
    replications: int

    @property
    def low(self) -> float | None:
        """Lower end, None where there is no interval."""
        return None if self.half_width is None else self.mean - self.half_width

    @property
    def high(self) -> float | None:
        """Upper end, None where there is no interval."""
        return None if self.half_width is None else self.mean + self.half_width

    def holds(self, value: float) -> bool:
        """Whether the interval contains a value; False where there is no interval."""
        return self.half_width is not None and abs(value - self.mean) <= self.half_width


@dataclass(frozen=True, slots=True)
class Difference:
    """A scenario less another, replication by replication."""

    interval: Interval
    spread: float | None
    """Standard deviation of the pairwise differences; None for one pair."""
    verdict: Verdict
    to_settle: int | None
    """Replications in all at which the interval would just exclude zero, were mean and spread to stay as they are; None
    when that cannot be said (one pair, a mean of zero, or more than a million)."""
    to_settle_surely: int | None
    """Replications in all at which, were mean and spread the true ones, the interval would exclude zero four times in
    five; None as above."""
    pairing_gain: float | None
    """Variance of the difference without common random numbers over that with them; None where it has none."""

    @property
    def is_lower(self) -> bool:
        """Below zero beyond noise, or by the same amount in every replication."""
        return self.verdict in (Verdict.LOWER, Verdict.SAME) and self.interval.mean < 0

    @property
    def is_higher(self) -> bool:
        """Above zero beyond noise, or by the same amount in every replication."""
        return self.verdict in (Verdict.HIGHER, Verdict.SAME) and self.interval.mean > 0

    def sentence(self, what: str, show: Callable[[float], str] = "{:,.4g}".format) -> str:
        """The finding as one sentence; ``show`` writes a value of the quantity ``what`` with its unit."""
        mean, half, n = self.interval.mean, self.interval.half_width, self.interval.replications
        if self.verdict is Verdict.SAME:
            return f"{what}: {self.verdict} ({n}), a difference of {show(mean)}."
        if half is None:
            return f"{what}: {show(mean)} in one replication; one cannot tell a difference from noise."
        found = f"{what}: {show(mean)} ± {show(half)} ({self.interval.level:.0%} interval, {n} replications)"
        if self.verdict is not Verdict.WITHIN_NOISE:
            return f"{found}: {self.verdict}."
        if self.to_settle is None or self.to_settle_surely is None:
            return f"{found}: within noise; no number of replications in reach would settle it."
        return (
            f"{found}: within noise; about {max(self.to_settle, n + 1)} replications would settle a difference of this"
            f" size with even odds, {max(self.to_settle_surely, n + 1)} in four cases of five."
        )


def t_interval(values: Sequence[float] | Floats, level: float = 0.95, judged_together: int = 1) -> Interval:
    """Student's t interval of the mean of independent values, ``mean +- t(1 - a/2; n - 1) s / sqrt(n)``.

    ``judged_together``: of so many intervals all shall hold with probability ``level`` or more (Bonferroni: each gets
    ``a / judged_together``). Raises ValueError for no or non-finite values, and for a level outside (0, 1).
    """
    numbers = _finite(values)
    _check_level(level, judged_together)
    n = len(numbers)
    if n == 1:
        return Interval(float(numbers[0]), None, level, 1)
    return Interval(float(numbers.mean()), _t(level, judged_together, n) * float(_sd(numbers)) / math.sqrt(n), level, n)


def compare_paired(
    values: Sequence[float] | Floats, base: Sequence[float] | Floats, level: float = 0.95, judged_together: int = 1
) -> Difference:
    """``values - base`` by replication: entry i of both has lived through the same random numbers.

    Raises ValueError when the lengths differ, and as ``t_interval``.
    """
    ours, theirs = _finite(values), _finite(base)
    if len(ours) != len(theirs):
        raise ValueError(f"{len(ours)} values cannot be paired with {len(theirs)}: one of each for every replication")
    gaps = ours - theirs
    interval = t_interval(gaps, level, judged_together)
    if interval.half_width is None:
        return Difference(interval, None, Verdict.TOO_FEW, None, None, None)
    spread = _sd(gaps)
    if spread == 0.0:
        return Difference(interval, 0.0, Verdict.SAME, interval.replications, interval.replications, None)
    apart = float(ours.var(ddof=1) + theirs.var(ddof=1))
    return Difference(
        interval,
        spread,
        _verdict(interval),
        replications_to_settle(interval.mean, spread, level, judged_together),
        replications_for_power(interval.mean, spread, level, judged_together=judged_together),
        apart / spread**2,
    )


def replications_to_settle(mean: float, spread: float, level: float = 0.95, judged_together: int = 1) -> int | None:
    """Least n with ``t(1 - a/2; n - 1) spread / sqrt(n) < |mean|``; None beyond a million.

    The rule for a wanted half-width of Law, *Simulation Modeling and Analysis* (from memory), with the mean as the
    half-width. Should mean and spread be the true ones, a fresh run of n replications excludes zero about every other
    time.
    """
    _check_level(level, judged_together)
    if spread < 0 or not math.isfinite(mean) or not math.isfinite(spread):
        raise ValueError(f"mean and spread must be finite and the spread not negative, found {mean:g} and {spread:g}")

    def excludes_zero(n: int) -> bool:
        return _t(level, judged_together, n) * spread / math.sqrt(n) < abs(mean)

    return _least(excludes_zero)


def replications_for_power(
    mean: float, spread: float, level: float = 0.95, chance: float = 0.8, judged_together: int = 1
) -> int | None:
    """Least n whose interval excludes zero, on the right side, with probability ``chance``; None beyond a million.

    The power of the t test by the noncentral t distribution with noncentrality ``|mean| sqrt(n) / spread``, mean and
    spread taken for the true ones.
    """
    _check_level(level, judged_together)
    if not 0.0 < chance < 1.0:
        raise ValueError(f"the chance must lie between 0 and 1, found {chance:g}")
    if spread < 0 or not math.isfinite(mean) or not math.isfinite(spread):
        raise ValueError(f"mean and spread must be finite and the spread not negative, found {mean:g} and {spread:g}")
    if mean == 0.0:
        return None
    if spread == 0.0:
        return 2

    def is_likely(n: int) -> bool:
        shift = abs(mean) * math.sqrt(n) / spread
        # Far out the noncentral distribution is all above the threshold, and scipy's series no longer converges.
        return shift > 37.0 or float(stats.nct.sf(_t(level, judged_together, n), n - 1, shift)) >= chance

    return _least(is_likely)


def _verdict(interval: Interval) -> Verdict:
    if interval.holds(0.0):
        return Verdict.WITHIN_NOISE
    return Verdict.LOWER if interval.mean < 0 else Verdict.HIGHER


def _finite(values: Sequence[float] | Floats) -> Floats:
    numbers = np.asarray(values, dtype=np.float64)
    if numbers.ndim != 1 or len(numbers) == 0:
        raise ValueError("a mean needs a row of values, one at least")
    if not np.isfinite(numbers).all():
        raise ValueError(f"value {int(np.flatnonzero(~np.isfinite(numbers))[0])} is not a finite number")
    return numbers


def _sd(numbers: Floats) -> float:
    # Values all equal have a spread of zero exactly, whatever the rounding of their mean.
    return 0.0 if np.ptp(numbers) == 0.0 else float(numbers.std(ddof=1))


def _check_level(level: float, judged_together: int) -> None:
    if not 0.0 < level < 1.0:
        raise ValueError(f"the level must lie between 0 and 1, found {level:g}")
    if judged_together < 1:
        raise ValueError(f"intervals judged together are one at least, found {judged_together}")


def _t(level: float, judged_together: int, n: int) -> float:
    return float(stats.t.ppf(1.0 - (1.0 - level) / judged_together / 2.0, n - 1))


def _least(holds: Callable[[int], bool]) -> int | None:
    """Least n from 2 on for which a condition that stays true once true holds."""
    high = 2
    while not holds(high):
        if high >= _MOST_REPLICATIONS:
            return None
        high = min(2 * high, _MOST_REPLICATIONS)
    low = max(2, high // 2)
    while low < high:
        middle = (low + high) // 2
        if holds(middle):
            high = middle
        else:
            low = middle + 1
    return high
