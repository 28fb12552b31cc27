"""Money over time: present value, payback, rates of return, yearly equivalents.

Flows are whole cents at equal steps, the first of them today; rates are a period's, as a share of 1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.optimize import brentq

from router.kernel.money import round_cents

_LOG_STEP, _LOG_REACH = 0.0025, 6.0
"""Rates of return are looked for where ln(1 + rate) lies between -6 and 6, at steps of a quarter of a per cent."""


def per_month(rate_per_year: float) -> float:
    """The monthly rate that comes to an effective yearly rate: ``(1 + r)^(1/12) - 1``."""
    if not rate_per_year > -1.0:
        raise ValueError(f"a yearly rate must lie above -1, found {rate_per_year:g}")
    return math.expm1(math.log1p(rate_per_year) / 12.0)


def present_value(rate: float, flows: Sequence[float]) -> float:
    """``sum of flows[k] / (1 + rate)^k``, unrounded; the first flow is today's and not discounted."""
    if not rate > -1.0:
        raise ValueError(f"a rate must lie above -1, found {rate:g}")
    total = 0.0
    for flow in reversed(flows):
        total = total / (1.0 + rate) + flow
    return total


def npv_cents(rate: float, flows_cents: Sequence[int]) -> int:
    """Net present value in whole cents."""
    return round_cents(present_value(rate, flows_cents))


def payback_periods(flows_cents: Sequence[int], rate: float = 0.0) -> float | None:
    """Periods until what is earned covers what was paid, and stays so; None when it never does.

    Within the period a flow is taken to come in evenly. With a rate the flows are discounted first. 0.0 when nothing
    is ever outstanding.
    """
    sums = np.cumsum([flow / (1.0 + rate) ** k for k, flow in enumerate(flows_cents)])
    # A tenth of a cent: discounted sums that ought to be zero are not quite.
    outstanding = np.flatnonzero(sums < -0.1)
    if len(outstanding) == 0:
        return 0.0
    last = int(outstanding[-1])
    if last == len(sums) - 1:
        return None
    gained = float(sums[last + 1] - sums[last])
    return last + min(1.0, float(-sums[last]) / gained)


def rates_of_return(flows: Sequence[float]) -> tuple[float, ...]:
    """Every rate a period, rising, at which the present value is zero and changes its sign; most often one, or none.

    Flows that change their sign more than once can have several (Descartes' rule of signs). Looked for between -99.7 %
    and 40,000 %; two rates closer than a quarter of a per cent can be missed.
    """
    numbers = np.asarray(flows, dtype=np.float64)
    if not (numbers > 0).any() or not (numbers < 0).any():
        return ()

    def value(log_rate: float) -> float:
        # Discounted towards the end that keeps every factor within 1, which leaves the sign as it is.
        powers = np.arange(len(numbers), dtype=np.float64)
        powers = powers if log_rate >= 0 else powers - (len(numbers) - 1)
        return float(numbers @ np.exp(-log_rate * powers))

    grid = np.arange(-_LOG_REACH - _LOG_STEP / 3.0, _LOG_REACH, _LOG_STEP)
    values = [value(g) for g in grid]
    return tuple(
        math.expm1(brentq(value, a, b, xtol=1e-13))
        for a, b, u, v in zip(grid, grid[1:], values, values[1:], strict=False)
        if (u < 0) != (v < 0)
    )


def capital_recovery_factor(rate: float, periods: float) -> float:
    """Equal payment at the end of each period worth 1 today: ``i (1 + i)^n / ((1 + i)^n - 1)``; n may be broken."""
    if not periods > 0 or not rate > -1.0:
        raise ValueError(f"a capital recovery factor needs time and a rate above -1, found {periods:g} and {rate:g}")
    return 1.0 / periods if rate == 0.0 else -rate / math.expm1(-periods * math.log1p(rate))
