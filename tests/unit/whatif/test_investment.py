"""Investments worked out by hand."""

from __future__ import annotations

import pytest

from router.whatif.discounting import npv_cents, payback_periods, per_month, present_value, rates_of_return
from router.whatif.investment import Distribution, Investment, appraise, appraise_together


def test_payback_within_a_period() -> None:
    # Outlay 1,000; 400 a period: after two periods 200 are outstanding, half of the third period's flow.
    assert payback_periods([-1000, 400, 400, 400]) == pytest.approx(2.5)
    assert payback_periods([-1000, 400, 400]) is None
    assert payback_periods([-1000, 400, 600]) == pytest.approx(2.0)
    assert payback_periods([0, 10, 10]) == 0.0
    # Paid back once, then a second outlay: what counts is when it stays paid back.
    assert payback_periods([-100, 150, -100, 100]) == pytest.approx(2.5)


def test_discounted_payback() -> None:
    # At 10 %: 110 / 1.1 = 100 and 121 / 1.21 = 100 pay 200 back at the end of period 2 exactly.
    assert payback_periods([-200, 110, 121, 50], 0.10) == pytest.approx(2.0)
    # 60 / 1.1 + x 72.6 / 1.21: 54.5454 + 60 x = 100.
    assert payback_periods([-100, 60, 72.6], 0.10) == pytest.approx(1 + (100 - 60 / 1.1) / 60)  # type: ignore[list-item]


def test_present_value_by_hand() -> None:
    assert npv_cents(0.10, [-100_000, 60_500, 60_500]) == 5_000
    assert present_value(0.0, [-5, 2, 2]) == -1.0
    with pytest.raises(ValueError, match="above -1"):
        present_value(-1.0, [1, 2])


def test_twelve_months_make_the_year() -> None:
    assert (1 + per_month(0.08)) ** 12 == pytest.approx(1.08)


def test_rates_of_return_of_many_months() -> None:
    flows = [-1_000_000] + [30_000] * 60
    (rate,) = rates_of_return(flows)
    assert present_value(rate, flows) == pytest.approx(0.0, abs=1e-3)
    assert rates_of_return([100, 100]) == ()
    assert len(rates_of_return([-100, 230, -132])) == 2
    # 240 months overflow any naive power of a rate far from zero.
    assert len(rates_of_return([-1e9] + [1e7] * 240)) == 1


def _machine(**changes: object) -> Investment:
    fields = {
        "outlays": ((0, 1_200_000),),
        "opens_month": 2,
        "life_months": 24,
        "discount_rate_per_year": 0.0,
        **changes,
    }
    return Investment(**fields)  # type: ignore[arg-type]


def test_flows_by_hand() -> None:
    plan = _machine(
        outlays=((0, 1000), (1, 500)),
        life_months=4,
        ramp_months=2,
        staff_cents_per_month=10,
        staff_from_month=1,
        fixed_cents_per_month=5,
        resale_cents=77,
    )
    # Months 3 to 6 save; the ramp of two months gives a quarter, three quarters, all; people from month 2 on.
    assert plan.flows_cents([400, 800]) == (
        -1000,
        -500,
        -10,
        100 - 10 - 5,
        600 - 10 - 5,
        400 - 10 - 5,
        800 - 10 - 5 + 77,
    )


def test_an_even_ramp_loses_half_its_length() -> None:
    full, ramped = _machine(), _machine(ramp_months=6)
    assert sum(full.flows_cents([1000])) - sum(ramped.flows_cents([1000])) == 3 * 1000


def test_growth_counts_from_the_opening() -> None:
    flows = _machine(saving_growth_per_year=0.21).flows_cents([1000])
    assert flows[3] == 1000
    assert flows[3 + 12] == 1210
    assert flows[3 + 6] == 1100


def test_appraisal_over_replications() -> None:
    # 24 months of 50,000, 100,000 and 200,000 on an outlay of 1,200,000 at month 0, opening after month 2.
    found = appraise(_machine(), [[50_000], [100_000], [200_000], [40_000]])
    assert found.npv_cents.values == (0, 1_200_000, 3_600_000, -240_000)
    assert found.payback_months.values == pytest.approx((26.0, 14.0, 8.0, None))
    assert found.discounted_payback_months.values == found.payback_months.values
    assert found.share_of_losses == 0.25
    assert found.payback_months.missing == 1
    assert found.payback_months.interval is None
    assert found.payback_months.quantile(0.5) == pytest.approx(14.0)
    assert found.payback_months.quantile(1.0) is None
    assert found.npv_cents.interval is not None
    assert found.npv_cents.interval.mean == pytest.approx(1_140_000)
    # Without interest the yearly value is the NPV over 26 months, for twelve of them.
    assert found.yearly_value_cents.values[1] == round(1_200_000 / 26 * 12)


def test_interest_lowers_value_and_lengthens_payback() -> None:
    cheap, dear = appraise(_machine(), [[100_000]]), appraise(_machine(discount_rate_per_year=0.2), [[100_000]])
    assert dear.npv_cents.values[0] < cheap.npv_cents.values[0]  # type: ignore[operator]
    assert dear.discounted_payback_months.values[0] > dear.payback_months.values[0]  # type: ignore[operator]
    # The rate of return is the rate at which nothing is gained.
    (rate,) = cheap.yearly_rate_of_return.values
    assert rate is not None
    assert appraise(_machine(discount_rate_per_year=rate), [[100_000]]).npv_cents.values[0] == pytest.approx(0, abs=1)


def test_a_quantile_is_a_value_that_was_seen() -> None:
    values = Distribution((5.0, 1.0, 3.0, 2.0, 4.0))
    assert [values.quantile(q) for q in (0.1, 0.2, 0.21, 0.5, 0.9)] == [1.0, 1.0, 2.0, 3.0, 5.0]


@pytest.mark.parametrize(
    "changes",
    [
        {"life_months": 0},
        {"outlays": ((-1, 5),)},
        {"outlays": ((0, -5),)},
        {"discount_rate_per_year": -1.0},
        {"ramp_months": -1},
        {"staff_cents_per_month": -1},
    ],
)
def test_senseless_terms_are_refused(changes: dict[str, object]) -> None:
    with pytest.raises(ValueError):
        _machine(**changes)


def test_nothing_to_appraise_is_refused() -> None:
    with pytest.raises(ValueError):
        appraise(_machine(), [])
    with pytest.raises(ValueError):
        appraise(_machine(), [[]])


def test_investments_together_open_each_at_its_own_time() -> None:
    """By hand: 3,000 and 1,000 laid out; three quarters of a saving of 101 from month 1, the rest from month 3."""
    early = Investment(((0, 3000),), 0, 4, 0.0, fixed_cents_per_month=2)
    late = Investment(((0, 1000),), 2, 4, 0.0, staff_cents_per_month=1, fixed_cents_per_month=5)
    saving = 101
    flows = [-4000, 76 - 2 - 1, 76 - 2 - 1, 76 - 2 + 25 - 5 - 1, 76 - 2 + 25 - 5 - 1, 25 - 5 - 1, 25 - 5 - 1]
    assert appraise_together([early, late], [[saving]]).npv_cents.values == (sum(flows),)
    assert appraise_together([late, early], [[saving]]).npv_cents.values == (sum(flows),)

    # At a rate the dates count: opening later is worth less.
    def at(opens: int) -> float:
        second = Investment(((0, 1000),), opens, 4, 0.08)
        (value,) = appraise_together([Investment(((0, 3000),), 0, 4, 0.08), second], [[2000]]).npv_cents.values
        assert value is not None
        return value

    assert at(0) > at(6) > at(24)
    assert at(0) == pytest.approx(appraise(Investment(((0, 4000),), 0, 4, 0.08), [[2000]]).npv_cents.values[0], abs=1)


def test_without_outlays_savings_are_shared_evenly_and_two_rates_are_refused() -> None:
    free = Investment((), 0, 2, 0.0)
    assert appraise_together([free, Investment((), 3, 2, 0.0)], [[101]]).npv_cents.values == (202,)
    with pytest.raises(ValueError, match="one discount rate"):
        appraise_together([free, Investment((), 0, 2, 0.1)], [[101]])
    with pytest.raises(ValueError, match="one investment"):
        appraise_together([], [[101]])
