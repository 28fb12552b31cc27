from __future__ import annotations

import itertools
import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_shop import NETWORK, NICKEL_SET, PRESS

from router.costing import (
    BuildRates,
    PieceLoad,
    PlateMember,
    build_cost,
    coupon_load,
    fair_shares,
    line_shares,
    piece_load,
    plate_step_shares,
    runway_shares,
)

RATES = BuildRates(NETWORK, PRESS, NICKEL_SET)
COUPON = coupon_load(NETWORK, PRESS, NICKEL_SET)

loads = st.builds(
    lambda volume, support, area, height: piece_load(NETWORK, PRESS, NICKEL_SET, volume, support, area, height),
    st.floats(10, 400_000),
    st.floats(0, 100_000),
    st.floats(5, 20_000),
    st.floats(0.5, 300),
)
members = st.lists(
    st.builds(PlateMember, st.sampled_from(["A", "B", "C", "D"]), loads, st.integers(1, 6)), min_size=1, max_size=8
)
coupons = st.integers(0, 3).map(lambda n: [PlateMember(None, COUPON, n)] if n else [])


def total(on_plate: list[PlateMember]) -> int:
    return RATES.figures([m.load for m in on_plate for _ in range(m.pieces)]).cost.total_cents


@given(members, coupons, st.sets(st.sampled_from(["A", "B", "C", "D"])), st.integers(0, 500_000))
def test_shares_sum_to_the_cent_and_nobody_is_paid(
    lines: list[PlateMember], witness: list[PlateMember], asking: set[str], steps_cents: int
) -> None:
    on_plate = lines + witness
    cents = total(on_plate)
    shares = line_shares(RATES, cents, steps_cents, on_plate, asking)
    assert sum(s.build_cents for s in shares) == cents
    assert sum(s.plate_steps_cents for s in shares) == steps_cents
    assert all(s.build_cents >= 0 and s.plate_steps_cents >= 0 for s in shares)
    assert [s.line_id for s in shares] == list(dict.fromkeys(m.line_id for m in lines))
    assert sum(s.pieces for s in shares) == sum(m.pieces for m in lines)
    # Nobody pays less than the exposure and powder of its own pieces, but for rounding.
    for share in shares:
        own = sum(RATES.own_cents(m.load) * m.pieces for m in lines if m.line_id == share.line_id)
        assert share.build_cents >= math.floor(own) - 5


@given(loads, st.integers(1, 5), members, coupons)
def test_equal_lines_bear_equal_shares(
    same: PieceLoad, pieces: int, others: list[PlateMember], witness: list[PlateMember]
) -> None:
    twins = [PlateMember("X", same, pieces), PlateMember("Y", same, pieces)]
    on_plate = [twins[0], *others, twins[1], *witness]
    ids = list(dict.fromkeys(m.line_id for m in on_plate if m.line_id))
    shares = dict(zip(ids, fair_shares(RATES, total(on_plate), on_plate, ()), strict=True))
    assert abs(shares["X"] - shares["Y"]) <= 1


@given(loads, st.floats(0.5, 300), st.floats(0.5, 300), members)
def test_the_taller_of_two_otherwise_equal_pieces_bears_no_less(
    load: PieceLoad, height_a: float, height_b: float, others: list[PlateMember]
) -> None:
    low, high = sorted((height_a, height_b))

    def raised(height: float) -> PieceLoad:
        return replace(load, height_mm=height, n_layers=math.ceil(height / 0.04 - 1e-9))

    on_plate = [PlateMember("X", raised(low)), PlateMember("Y", raised(high)), *others]
    x, y, *_ = fair_shares(RATES, total(on_plate), on_plate, ())
    assert x <= y + 1


@given(members)
def test_shares_do_not_depend_on_how_pieces_are_listed(lines: list[PlateMember]) -> None:
    one_by_one = [PlateMember(m.line_id, m.load) for m in lines for _ in range(m.pieces)]
    cents = total(lines)
    together, apart = fair_shares(RATES, cents, lines, ()), fair_shares(RATES, cents, one_by_one, ())
    assert all(abs(a - b) <= 1 for a, b in zip(together, apart, strict=True))


@given(members, coupons, loads, st.integers(1, 3))
def test_joining_a_plate_costs_no_more_than_a_plate_of_ones_own(
    lines: list[PlateMember], witness: list[PlateMember], newcomer: PieceLoad, pieces: int
) -> None:
    open_plate = lines + witness
    joined = [*open_plate, PlateMember("N", newcomer, pieces)]
    marginal = total(joined) - total(open_plate)
    alone = total([PlateMember("N", newcomer, pieces)])
    assert marginal <= alone + 4  # four items are rounded to the cent on each side
    assert marginal >= math.floor(RATES.own_cents(newcomer) * pieces) - 4


@given(members)
def test_nobody_pays_more_on_the_shared_plate_than_alone(lines: list[PlateMember]) -> None:
    """No line would rather leave for a plate of its own."""
    ids = list(dict.fromkeys(m.line_id for m in lines))
    for line_id, share in zip(ids, fair_shares(RATES, total(lines), lines, ()), strict=True):
        assert share <= total([m for m in lines if m.line_id == line_id]) + 5


@given(st.integers(0, 8000), st.integers(0, 8000), st.floats(0, 1e6), st.floats(0, 1e6), st.floats(0, 20))
def test_build_cost_grows_with_layers_and_exposure(n1: int, n2: int, e1: float, e2: float, kg: float) -> None:
    n1, n2 = sorted((n1, n2))
    e1, e2 = sorted((e1, e2))
    low, high = RATES.cost(n1, e1, kg), RATES.cost(n2, e2, kg)
    assert low.total_cents <= high.total_cents
    assert RATES.run_min(n1, e1) <= RATES.run_min(n2, e2)
    assert RATES.carbon_cents(n1, e1) <= RATES.carbon_cents(n2, e2)
    assert RATES.total_cents(n2, e2, kg) == high.total_cents
    assert build_cost(NETWORK, PRESS, NICKEL_SET, n2, e2, kg) == high
    # A hair is given away for floating point: a billionth of a minute.
    assert -1e-7 <= 60 * RATES.run_min(n2, e2) - RATES.run_s(n2, e2) < 60


def brute_force(needs: list[float]) -> list[float]:
    """Shapley value of the runway game: mean over all orders of what each adds to the largest need so far."""
    shares = [0.0] * len(needs)
    orders = list(itertools.permutations(range(len(needs))))
    for order in orders:
        paid = 0.0
        for i in order:
            shares[i] += max(0.0, needs[i] - paid)
            paid = max(paid, needs[i])
    return [s / len(orders) for s in shares]


@settings(deadline=None)
@given(st.lists(st.floats(0, 1000), min_size=1, max_size=6))
def test_runway_shares_are_the_shapley_value_over_all_orders(needs: list[float]) -> None:
    assert runway_shares(needs) == pytest.approx(brute_force(needs), abs=1e-9)


@given(st.lists(st.tuples(st.floats(0, 1e6), st.floats(0, 1e4)), min_size=1, max_size=30))
def test_runway_shares_sum_to_the_largest_need_and_grow_with_it(pairs: list[tuple[float, float]]) -> None:
    needs, weights = [n for n, _ in pairs], [w for _, w in pairs]
    shares = runway_shares(needs, weights)
    assert math.fsum(shares) == pytest.approx(max(needs), rel=1e-9, abs=1e-9)
    assert all(s >= 0 for s in shares)
    equal = runway_shares(needs)
    by_need = sorted(range(len(needs)), key=lambda i: needs[i])
    assert all(equal[a] <= equal[b] + 1e-9 for a, b in itertools.pairwise(by_need))
    assert all(e <= n + 1e-6 for e, n in zip(equal, needs, strict=True))


@given(members, coupons, st.integers(0, 10**7))
def test_plate_steps_follow_the_footprint(lines: list[PlateMember], witness: list[PlateMember], cents: int) -> None:
    on_plate = lines + witness
    ids = list(dict.fromkeys(m.line_id for m in lines))
    area = {x: math.fsum(m.load.footprint_mm2 * m.pieces for m in lines if m.line_id == x) for x in ids}
    shares = plate_step_shares(cents, on_plate, ids)
    whole = math.fsum(area.values())
    for line_id, share in zip(ids, shares, strict=True):
        assert share == pytest.approx(cents * area[line_id] / whole, abs=1.000001)
