"""Intervals and differences of simulated figures: worked values, scipy as a reference, coverage by simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from router.whatif.statistics import (
    Verdict,
    compare_paired,
    replications_for_power,
    replications_to_settle,
    t_interval,
)

# Additional hours of sleep of ten patients with two drugs: Student 1908, Biometrika 6, "The probable error of a mean";
# its mean difference of 1.58 and the t of 4.06 are in the paper, the interval as statistical packages print it (from
# memory).
FIRST_DRUG = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SECOND_DRUG = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


def test_students_sleep_data() -> None:
    found = compare_paired(SECOND_DRUG, FIRST_DRUG)
    assert found.interval.mean == pytest.approx(1.58)
    assert found.interval.low == pytest.approx(0.7001142, abs=1e-6)
    assert found.interval.high == pytest.approx(2.4598858, abs=1e-6)
    assert found.spread is not None
    assert found.interval.mean / (found.spread / math.sqrt(10)) == pytest.approx(4.0621, abs=1e-4)
    assert found.verdict is Verdict.HIGHER
    assert compare_paired(FIRST_DRUG, SECOND_DRUG).verdict is Verdict.LOWER


@pytest.mark.parametrize("level", [0.8, 0.95, 0.999])
@pytest.mark.parametrize("n", [2, 5, 40])
def test_intervals_as_scipy_works_them_out(level: float, n: int) -> None:
    rng = np.random.default_rng(n)
    a, b = rng.normal(10, 3, n), rng.normal(9, 2, n)
    reference = stats.ttest_rel(a, b).confidence_interval(level)
    found = compare_paired(a, b, level).interval
    assert (found.low, found.high) == pytest.approx((reference.low, reference.high))


def test_nominal_coverage_is_met() -> None:
    """4,000 intervals of 8 normal differences: 95 % hold the truth; five standard errors of leeway."""
    rng = np.random.default_rng(7)
    held = sum(t_interval(rng.normal(3.0, 2.0, 8)).holds(3.0) for _ in range(4000))
    assert held / 4000 == pytest.approx(0.95, abs=5 * math.sqrt(0.95 * 0.05 / 4000))


def test_intervals_judged_together_hold_together() -> None:
    """Five differences against one base are correlated: Bonferroni holds at least the level, single ones do not."""
    rng = np.random.default_rng(8)
    together = single = 0
    for _ in range(2000):
        base = rng.normal(0.0, 1.0, 10)
        others = rng.normal(0.0, 1.0, (5, 10))
        together += all(t_interval(o - base, 0.9, 5).holds(0.0) for o in others)
        single += all(t_interval(o - base, 0.9).holds(0.0) for o in others)
    assert together / 2000 > 0.9 - 0.02
    assert single / 2000 < 0.85


def test_common_random_numbers_show_in_the_gain() -> None:
    rng = np.random.default_rng(9)
    shared = rng.normal(100.0, 10.0, 500)
    a, b = shared + rng.normal(1.0, 1.0, 500), shared + rng.normal(0.0, 1.0, 500)
    found = compare_paired(a, b)
    # Var(a) + Var(b) = 2 (100 + 1); Var(a - b) = 2.
    assert found.pairing_gain == pytest.approx(101.0, rel=0.2)
    assert found.verdict is Verdict.HIGHER
    assert compare_paired(a, rng.permutation(b)).verdict is Verdict.WITHIN_NOISE


def test_replications_to_settle_are_the_least_that_do() -> None:
    n = replications_to_settle(0.5, 2.0)
    assert n is not None

    def half_width(m: int) -> float:
        return float(stats.t.ppf(0.975, m - 1)) * 2.0 / math.sqrt(m)

    assert half_width(n) < 0.5 <= half_width(n - 1)
    assert replications_to_settle(0.0, 2.0) is None
    assert replications_to_settle(1e-9, 2.0) is None
    assert replications_to_settle(-0.5, 2.0) == n


def test_power_of_one_standard_deviation() -> None:
    """To be seen with 90 %: 13 pairs by the tables of the noncentral t (from memory); the textbook approximation
    (1.960 + 1.282)^2 = 10.5 by the normal distribution lies below it."""
    assert replications_for_power(1.0, 1.0, chance=0.9) == 13
    assert replications_for_power(0.0, 1.0) is None


@pytest.mark.parametrize(("mean", "spread"), [(0.5, 1.0), (-0.3, 1.0)])
def test_power_by_simulation(mean: float, spread: float) -> None:
    n = replications_for_power(mean, spread)
    assert n is not None
    rng = np.random.default_rng(10)
    drawn = rng.normal(mean, spread, (4000, n))
    seen = np.mean([not t_interval(row).holds(0.0) for row in drawn])
    assert seen == pytest.approx(0.8, abs=0.03)


def test_what_cannot_be_told_is_said() -> None:
    one = compare_paired([3.0], [1.0])
    assert one.verdict is Verdict.TOO_FEW
    assert one.interval.half_width is None
    assert "one cannot tell" in one.sentence("cost")
    same = compare_paired([3.0, 4.0], [1.0, 2.0])
    assert same.verdict is Verdict.SAME
    noise = compare_paired([1.0, 3.0, 2.5, 0.0], [0.0, 3.5, 2.0, 0.2])
    assert noise.verdict is Verdict.WITHIN_NOISE
    assert noise.to_settle is not None
    assert noise.to_settle > 4
    assert f"{noise.to_settle} replications would settle" in noise.sentence("cost")
    none = compare_paired([1.0, 0.0], [0.0, 1.0])
    assert "no number of replications in reach" in none.sentence("cost")


@pytest.mark.parametrize(
    ("values", "base"), [([], []), ([1.0, math.nan], [1.0, 2.0]), ([1.0], [1.0, 2.0]), ([math.inf], [1.0])]
)
def test_bad_input_is_refused(values: list[float], base: list[float]) -> None:
    with pytest.raises(ValueError):
        compare_paired(values, base)


def test_bad_settings_are_refused() -> None:
    for call in (
        lambda: t_interval([1.0, 2.0], 1.0),
        lambda: t_interval([1.0, 2.0], judged_together=0),
        lambda: replications_for_power(1.0, 1.0, chance=1.0),
        lambda: replications_to_settle(1.0, -1.0),
    ):
        with pytest.raises(ValueError):
            call()
