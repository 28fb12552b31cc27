"""Would it pay? An investment against the saving that the simulation found, replication by replication.

The saving is the landed cost of the base less that of the scenario, month by month, both under the same orders. What
the simulation already counts (machine hours, operators at the machine) belongs to the saving; here stand only the
outlay and what is paid whether anything is built or not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from router.kernel.money import round_cents
from router.whatif.discounting import (
    capital_recovery_factor,
    npv_cents,
    payback_periods,
    per_month,
    present_value,
    rates_of_return,
)
from router.whatif.statistics import Interval, t_interval


@dataclass(frozen=True, slots=True)
class Investment:
    """What is paid and when, and how the saving comes about. Month 0 is today; flows fall at the end of a month."""

    outlays: tuple[tuple[int, int], ...]
    """(month, cents) of everything bought: machines, building, qualification."""
    opens_month: int
    """The first saving falls into the month after this one."""
    life_months: int
    """Months of saving."""
    discount_rate_per_year: float
    """Effective yearly rate as a share of 1."""
    ramp_months: int = 0
    """From opening to the full effect, rising evenly; 0: full effect at once."""
    staff_cents_per_month: int = 0
    staff_from_month: int = 0
    """People are paid from the month after this one, before the opening too, up to the end of the life."""
    fixed_cents_per_month: int = 0
    """Rent, insurance, service contracts; from the opening on."""
    resale_cents: int = 0
    """At the end of the life."""
    saving_growth_per_year: float = 0.0
    """By which the saving grows from the opening on, as a share of 1."""

    def __post_init__(self) -> None:
        faults = [
            (any(month < 0 or cents < 0 for month, cents in self.outlays), "outlays need months and cents from 0 up"),
            (self.opens_month < 0 or self.staff_from_month < 0, "months are counted from 0"),
            (self.life_months < 1, f"a life of {self.life_months} months saves nothing: 1 at least"),
            (self.ramp_months < 0, f"a ramp of {self.ramp_months} months: 0 or more"),
            (not self.discount_rate_per_year > -1.0, "the discount rate must lie above -1"),
            (not self.saving_growth_per_year > -1.0, "the growth of the saving must lie above -1"),
            (min(self.staff_cents_per_month, self.fixed_cents_per_month) < 0, "monthly costs must not be negative"),
        ]
        wrong = [text for bad, text in faults if bad]
        if wrong:
            raise ValueError("; ".join(wrong))

    @property
    def end_month(self) -> int:
        """The last month with a saving."""
        return self.opens_month + self.life_months

    def ramp(self, month_open: int) -> float:
        """Mean share of the full effect in the n-th month after the opening (from 1) of an even rise."""
        return min(1.0, (month_open - 0.5) / self.ramp_months) if self.ramp_months else 1.0

    def flows_cents(self, saving_cents_by_month: Sequence[int]) -> tuple[int, ...]:
        """Flows of months 0 to the end. ``saving_cents_by_month``: full effect, repeated in turn up to the end.

        Raises ValueError for no saving at all; a saving may be negative.
        """
        if not saving_cents_by_month:
            raise ValueError("an investment is held against the saving of one month at least")
        last = max([self.end_month, *(month for month, _ in self.outlays)])
        flows = [0] * (last + 1)
        for month, cents in self.outlays:
            flows[month] -= cents
        for month in range(self.staff_from_month + 1, self.end_month + 1):
            flows[month] -= self.staff_cents_per_month
        for n in range(1, self.life_months + 1):
            full = saving_cents_by_month[(n - 1) % len(saving_cents_by_month)]
            grown = (1.0 + self.saving_growth_per_year) ** ((n - 1) / 12.0)
            flows[self.opens_month + n] += round_cents(full * self.ramp(n) * grown) - self.fixed_cents_per_month
        flows[self.end_month] += self.resale_cents
        return tuple(flows)


@dataclass(frozen=True, slots=True)
class Distribution:
    """A figure over replications, in their order; None where it never comes about (a payback)."""

    values: tuple[float | None, ...]

    @property
    def interval(self) -> Interval | None:
        """Mean and its 95 % interval; None when the figure is missing in a replication."""
        known = [v for v in self.values if v is not None]
        return t_interval(known) if known and len(known) == len(self.values) else None

    def quantile(self, share: float) -> float | None:
        """The least value that so large a share of replications does not exceed; what never comes about is last."""
        if not 0.0 < share <= 1.0:
            raise ValueError(f"a share lies above 0 and up to 1, found {share:g}")
        ranked = sorted(self.values, key=lambda v: math.inf if v is None else v)
        return ranked[math.ceil(share * len(ranked) - 1e-9) - 1]

    @property
    def missing(self) -> int:
        """Replications in which it never comes about."""
        return sum(v is None for v in self.values)


@dataclass(frozen=True, slots=True)
class Appraisal:
    """What an investment comes to over the replications. Money in cents, times in months from today."""

    npv_cents: Distribution
    yearly_value_cents: Distribution
    """The NPV as an even yearly amount over the whole time: compares investments of unequal life."""
    payback_months: Distribution
    discounted_payback_months: Distribution
    yearly_rate_of_return: Distribution
    """Missing where there is none, or more than one."""

    @property
    def share_of_losses(self) -> float:
        """Share of replications with a negative net present value."""
        values = self.npv_cents.values
        return sum(v is not None and v < 0 for v in values) / len(values)


def appraise(investment: Investment, savings: Sequence[Sequence[int]]) -> Appraisal:
    """The investment under each replication's savings (cents by month), which recur for the whole life.

    A lucky year is thus taken to repeat itself: the distributions are wider than those of a life of many different
    years, while the mean and its interval are not touched by it. Raises ValueError for no replication.
    """
    return appraise_together([investment], savings)


def appraise_together(investments: Sequence[Investment], savings: Sequence[Sequence[int]]) -> Appraisal:
    """Several investments that save together, each opening, rising and ending at its own time; else as ``appraise``.

    What each brings of the saving they make together the simulation does not tell: it is taken by the share of the
    outlays, evenly where nothing is laid out (common practice, no source). They are discounted at the rate of the
    first. Raises ValueError for no investment, no replication, or unlike rates.
    """
    if not savings:
        raise ValueError("an appraisal needs one replication at least")
    if not investments:
        raise ValueError("an appraisal needs one investment at least")
    yearly_rate = investments[0].discount_rate_per_year
    if any(i.discount_rate_per_year != yearly_rate for i in investments):
        raise ValueError("investments appraised together have one discount rate")
    outlays = [sum(cents for _, cents in i.outlays) for i in investments]
    streams = [_together(investments, outlays, saving) for saving in savings]
    rate = per_month(yearly_rate)
    returns = [rates_of_return(flows) for flows in streams]
    yearly = capital_recovery_factor(yearly_rate, (len(streams[0]) - 1) / 12.0)
    return Appraisal(
        npv_cents=Distribution(tuple(npv_cents(rate, flows) for flows in streams)),
        yearly_value_cents=Distribution(tuple(round_cents(present_value(rate, flows) * yearly) for flows in streams)),
        payback_months=Distribution(tuple(payback_periods(flows) for flows in streams)),
        discounted_payback_months=Distribution(tuple(payback_periods(flows, rate) for flows in streams)),
        yearly_rate_of_return=Distribution(
            tuple((1.0 + found[0]) ** 12 - 1.0 if len(found) == 1 else None for found in returns)
        ),
    )


def _together(investments: Sequence[Investment], outlays: Sequence[int], saving: Sequence[int]) -> tuple[int, ...]:
    """Flows of all by month. The parts of a month's saving add up to it to the cent."""
    streams = []
    given, left, among = [0] * len(saving), sum(outlays), len(investments)
    for investment, outlay in zip(investments, outlays, strict=True):
        rest = [whole - so_far for whole, so_far in zip(saving, given, strict=True)]
        share = outlay / left if left else 1 / among
        own = rest if among == 1 else [round_cents(x * share) for x in rest]
        given = [so_far + x for so_far, x in zip(given, own, strict=True)]
        left, among = left - outlay, among - 1
        streams.append(investment.flows_cents(own))
    length = max(len(flows) for flows in streams)
    return tuple(sum(flows[month] for flows in streams if month < len(flows)) for month in range(length))
