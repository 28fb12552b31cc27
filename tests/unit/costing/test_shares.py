from __future__ import annotations

import pytest
from small_shop import NETWORK, NICKEL_SET, PRESS

from router.costing import (
    BuildRates,
    PieceLoad,
    PlateMember,
    coupon_load,
    fair_shares,
    line_shares,
    piece_load,
    plate_step_shares,
    runway_shares,
)

RATES = BuildRates(NETWORK, PRESS, NICKEL_SET)


def load(height_mm: float, footprint_mm2: float = 1000.0, volume_mm3: float = 30_000.0) -> PieceLoad:
    return piece_load(NETWORK, PRESS, NICKEL_SET, volume_mm3, 0.0, footprint_mm2, height_mm)


def total(members: list[PlateMember]) -> int:
    return RATES.figures([m.load for m in members for _ in range(m.pieces)]).cost.total_cents


def test_weights_decide_who_pays_how_much_of_a_slice() -> None:
    # First slice of 6 by weights 1:2, the rest of 4 by the second alone.
    assert runway_shares([6.0, 10.0], [1.0, 2.0]) == pytest.approx([2.0, 8.0])
    assert runway_shares([10.0, 6.0], [2.0, 1.0]) == pytest.approx([8.0, 2.0])
    assert runway_shares([6.0, 10.0], [0.0, 0.0]) == pytest.approx([3.0, 7.0])
    assert runway_shares([6.0, 10.0], [1.0, 0.0]) == pytest.approx([6.0, 4.0])
    assert runway_shares([1.0, 2.0], [2e-311, 2e-311]) == pytest.approx([0.5, 1.5])  # only proportions count
    assert runway_shares([1.0, 2.0], [1.0, 2e-311]) == pytest.approx([1.0, 1.0])
    assert runway_shares([]) == []


@pytest.mark.parametrize(
    ("needs", "weights"), [([1.0, -1.0], None), ([1.0], [-1.0]), ([1.0], [float("nan")]), ([1.0, 2.0], [1.0])]
)
def test_runway_shares_refuse_nonsense(needs: list[float], weights: list[float] | None) -> None:
    with pytest.raises(ValueError, match="weight"):
        runway_shares(needs, weights)


def test_one_line_bears_everything() -> None:
    members = [PlateMember("A", load(50), 4), PlateMember(None, coupon_load(NETWORK, PRESS, NICKEL_SET), 2)]
    assert fair_shares(RATES, total(members), members, {"A"}) == (total(members),)


def test_two_lines_worked_by_hand() -> None:
    # Both 1000 mm2; A 40 mm (1000 layers), B 80 mm (2000 layers), 30 cm3 each.
    members = [PlateMember("A", load(40)), PlateMember("B", load(80))]
    plate_cents = total(members)
    hour = 4000 + 100 + 3 * 20
    half = 2.5 * hour + 8000 * 12 * 0.01  # 1000 layers: 2.5 h of recoating, 12 kg of bed of which 1 % is lost
    own = 2 * hour + 8000 * 0.24 * 1.1
    setup = plate_cents - 2 * half - 2 * own
    a, b = fair_shares(RATES, plate_cents, members, ())
    assert a + b == plate_cents
    assert a == pytest.approx(half / 2 + own + setup / 2, abs=1)
    assert b == pytest.approx(half * 1.5 + own + setup / 2, abs=1)


def test_pieces_counted_together_or_one_by_one_bear_the_same() -> None:
    together = [PlateMember("A", load(40), 3), PlateMember("B", load(80, 500.0), 2)]
    one_by_one = [PlateMember("A", load(40))] * 3 + [PlateMember("B", load(80, 500.0))] * 2
    cents = total(together)
    assert fair_shares(RATES, cents, together, ()) == fair_shares(RATES, cents, one_by_one, ())


def test_coupons_are_borne_by_those_who_ask_for_them() -> None:
    coupon = coupon_load(NETWORK, PRESS, NICKEL_SET)
    members = [PlateMember("A", load(40)), PlateMember("B", load(40)), PlateMember(None, coupon, 2)]
    cents = total(members)
    both = fair_shares(RATES, cents, members, {"A", "B"})
    only_b = fair_shares(RATES, cents, members, {"B"})
    assert both[0] == pytest.approx(both[1], abs=1)
    assert sum(only_b) == cents
    assert only_b[0] < both[0] < only_b[1]
    # The coupons reach 80 mm alone: whoever asks for them pays at least those 1000 layers and their exposure.
    assert only_b[1] - only_b[0] >= 1000 * RATES.layer_cents + 2 * RATES.own_cents(coupon) - 1


def test_shares_keep_the_order_of_first_appearance() -> None:
    members = [PlateMember("Z", load(80)), PlateMember("A", load(40)), PlateMember("Z", load(20))]
    shares = line_shares(RATES, total(members), 1001, members, ())
    assert [(s.line_id, s.pieces) for s in shares] == [("Z", 2), ("A", 1)]
    assert sum(s.build_cents for s in shares) == total(members)
    assert [s.plate_steps_cents for s in shares] == [667, 334]


def test_odd_cents_go_to_the_earlier_line() -> None:
    members = [PlateMember("B", load(40)), PlateMember("A", load(40))]
    assert plate_step_shares(101, members, ()) == (51, 50)


def test_a_total_below_the_pools_is_still_shared_without_paying_anyone() -> None:
    # Far below own cost the set-up pool is negative, most of all for the wide piece.
    members = [PlateMember("A", load(40, 9000.0, 100.0)), PlateMember("B", load(40, 100.0, 90_000.0))]
    assert fair_shares(RATES, 100, members, ()) == (0, 100)


def test_a_plate_of_coupons_only_is_refused() -> None:
    coupon = PlateMember(None, coupon_load(NETWORK, PRESS, NICKEL_SET))
    for share in (lambda: fair_shares(RATES, 100, [coupon], ()), lambda: plate_step_shares(100, [coupon], ())):
        with pytest.raises(ValueError, match="at least one line"):
            share()
