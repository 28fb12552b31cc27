"""Hold or go: the count of profit, plans that can be done, and a policy that cannot see the future."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from router.whatif.hold import (
    ArrivalLaw,
    BoxPart,
    HoldCase,
    HoldParams,
    PlateTerms,
    fixed_rule,
    foreseen_best,
    live_through,
)
from router.whatif.hold.case import part_tables, term_row
from router.whatif.hold.kernels import build_end, build_profit, never_built, stands

TERMS = PlateTerms(200.0, 200.0, 15.0, 30.0, 200.0, 0.5, 0.5, 11.6, 0.001, 300.0, 30.0)
FEW = HoldParams(rule_samples=8, first_samples=8, last_samples=16)


def drawn_case(seed: int, horizon_h: float) -> HoldCase:
    """A case drawn from the uniform mix."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(3, 7))
    parts = []
    for arrival in np.sort(rng.uniform(0.0, 0.7 * horizon_h, n)):
        size = rng.uniform(40.0, 100.0, 3)
        volume = 0.1 * float(size.prod())
        parts.append(
            BoxPart(
                float(arrival), *map(float, size), volume, 0.1 * volume, float(arrival) + 15.0, 200.0 + volume / 300.0
            )
        )
    return HoldCase(f"drawn {seed}", horizon_h, TERMS, tuple(parts))


def test_a_build_is_counted_by_hand() -> None:
    part = BoxPart(0.0, 50.0, 40.0, 90.0, 54_000.0, 10_800.0, 3.0, 400.0)
    case = HoldCase("one", 24.0, TERMS, (part,))
    rows, _ = part_tables(case.parts, TERMS)
    terms, one = term_row(case), np.array([0])
    own_h, recoat_h = (54_000 / 15 + 10_800 / 30) / 3600, 90 * 200 / 3600
    assert build_end(one, 1, 2.0, rows, terms) == pytest.approx(2.0 + 1.0 + own_h + recoat_h)
    late = 30.0 * (3.0 + own_h + recoat_h - 3.0)
    expected = 400.0 - 300.0 - 11.6 * (own_h + recoat_h) - 0.001 * 64_800 - late
    assert build_profit(one, 1, 2.0, rows, terms) == pytest.approx(expected)
    assert never_built(0, rows, terms) == pytest.approx(-30.0 * 21.0)


def every_plan(case: HoldCase) -> float:
    """Best profit over all ordered partitions, by trying each one."""
    rows, sizes = part_tables(case.parts, TERMS)
    terms, n = term_row(case), len(case.parts)
    state = np.array([5], np.uint64)
    best = -math.inf
    for labels in itertools.product(range(-1, n), repeat=n):
        used = sorted(set(labels) - {-1})
        if used != list(range(len(used))):
            continue
        free_h, total = 0.0, sum(never_built(i, rows, terms) for i in range(n) if labels[i] < 0)
        for b in used:
            ids = np.array([i for i in range(n) if labels[i] == b])
            start = math.ceil(max(free_h, rows[ids, 0].max()))
            if start >= case.horizon_h or not stands(ids, len(ids), sizes, terms, 50, state):
                total = -math.inf
                break
            total += build_profit(ids, len(ids), float(start), rows, terms)
            free_h = build_end(ids, len(ids), float(start), rows, terms)
        best = max(best, total)
    return best


@pytest.mark.parametrize("seed", range(6))
def test_with_the_future_known_the_optimum_of_small_cases_is_found(seed: int) -> None:
    case = drawn_case(seed, 30.0)
    case = replace(case, parts=case.parts[:5])
    assert foreseen_best(case, 0.3, seed).profit == pytest.approx(every_plan(case), abs=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_what_was_lived_is_what_the_builds_earn(seed: int) -> None:
    case = drawn_case(seed, 36.0)
    lived = live_through(case, ArrivalLaw.named("Uniform"), replace(FEW, seed=seed))
    rows, _ = part_tables(case.parts, TERMS)
    terms = term_row(case)
    free_h, total, built = 0.0, 0.0, set()
    for start, ids in lived.builds:
        assert start >= free_h and start == int(start) and start < case.horizon_h
        assert all(case.parts[i].arrival_h <= start for i in ids) and not built & set(ids)
        built |= set(ids)
        total += build_profit(np.array(ids), len(ids), start, rows, terms)
        free_h = build_end(np.array(ids), len(ids), start, rows, terms)
    total += sum(never_built(i, rows, terms) for i in range(len(rows)) if i not in built)
    assert lived.profit == pytest.approx(total)
    assert lived.profit <= foreseen_best(case, 0.3, seed).profit + 1e-6


def test_the_policy_does_not_see_the_future() -> None:
    case = drawn_case(11, 36.0)
    cut_h = case.parts[2].arrival_h + 1.0
    known = [p for p in case.parts if p.arrival_h < cut_h]
    other = replace(case, parts=(*known, BoxPart(cut_h + 0.5, 90.0, 90.0, 60.0, 9e4, 1e4, cut_h + 9.0, 900.0)))
    law = ArrivalLaw.named("Uniform")
    first, second = live_through(case, law, FEW), live_through(other, law, FEW)
    assert [b for b in first.builds if b[0] < cut_h] == [b for b in second.builds if b[0] < cut_h]


def test_a_rule_that_waits_for_a_full_plate_holds_longer() -> None:
    case = drawn_case(3, 60.0)
    assert fixed_rule(case, 0.8, -30.0).held_h > fixed_rule(case, 0.0, 0.0).held_h


def test_an_unknown_mix_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="Small-dominant"):
        ArrivalLaw.named("uniform")


def test_arrivals_follow_the_rates() -> None:
    law = ArrivalLaw.named("Large-dominant")
    rows, sizes = law.draw(0.0, 20_000.0, TERMS, np.random.default_rng(3))
    # Poisson count: five standard deviations around the mean.
    assert abs(len(rows) - 0.24 * 20_000) < 5 * math.sqrt(0.24 * 20_000)
    large = (sizes > 200 / 3).all(axis=1).mean()
    assert large == pytest.approx(0.06 / 0.12, abs=0.05)
    assert (np.diff(rows[:, 0]) >= 0).all()
