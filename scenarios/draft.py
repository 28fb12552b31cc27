"""An order line in the making, and the dates and penalty it ends up with."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import cache
from random import Random

import holidays

from router.domain.orders import OrderLine
from router.domain.sites import ORDERABLE_STEPS, Step
from scenarios.customers import Customer
from scenarios.reach import Wish

EARLIEST_DUE, EARLIEST_DUE_HIP, LATEST_DUE = 10, 17, 45
"""Days from now between which lines that are no rush fall due (assumption)."""
RUSH_DUE = (4, 8)


@dataclass(frozen=True, slots=True)
class Draft:
    """What is known of a line before it gets its number. ``machine_h`` and ``value_cents`` are rough."""

    model: str
    trade: str
    alloy_id: str
    parameter_set_id: str
    quantity: int
    customer: Customer
    received_at: datetime
    machine_h: float
    value_cents: float
    rush: bool = False
    pending: bool = False
    steps: frozenset[Step] = frozenset()
    coupons: int = 0
    export_control: str | None = None
    accreditations: tuple[str, ...] = ()
    approved_sites: tuple[str, ...] = ()
    own_plate: bool = False
    may_split_sites: bool = False
    as_modelled: bool = False

    def wish(self) -> Wish:
        """What decides where it can be built."""
        return Wish(
            self.model,
            self.alloy_id,
            self.steps,
            self.export_control,
            self.accreditations,
            self.as_modelled,
            self.coupons > 0,
        )


def finish(draft: Draft, order_id: str, line_id: str, now: datetime, rng: Random, later_days: int = 0) -> OrderLine:
    """The order line with its release, due date and penalty. ``now`` carries the zone of working hours.

    ``later_days``: a call-off, ordered now, to be released and delivered so much later than a line ordered for today.
    """
    release_at, due_date = _release(draft, now, rng), _due(draft, now, rng)
    if later_days:
        later = timedelta(days=later_days)
        release_at = _office_time(release_at + later)
        due_date = working_day_before(due_date + later, draft.customer.place.country)
    return OrderLine(
        line_id=line_id,
        order_id=order_id,
        customer=draft.customer.name,
        model=draft.model,
        unit="mm",
        alloy_id=draft.alloy_id,
        parameter_set_id=draft.parameter_set_id,
        quantity=draft.quantity,
        ship_to=draft.customer.place,
        received_at=draft.received_at,
        release_at=release_at,
        due_date=due_date,
        steps=tuple(s for s in ORDERABLE_STEPS if s in draft.steps),
        coupons=draft.coupons,
        export_control=draft.export_control,
        accreditations=draft.accreditations,
        approved_sites=draft.approved_sites,
        own_plate=draft.own_plate,
        may_split_sites=draft.may_split_sites,
        as_modelled=draft.as_modelled,
        late_cents_per_day=_penalty(draft, rng),
    )


def _release(draft: Draft, now: datetime, rng: Random) -> datetime:
    """Review takes some working hours to a few days; a pending line is released within two days after now."""
    if draft.pending:
        return _office_time(now + timedelta(hours=rng.choice((3, 5, 8, 26, 30, 34, 50, 53))))
    review_h = rng.choice((2, 4, 6)) if draft.rush else rng.choice((4, 20, 24, 28, 48, 52, 72))
    reviewed = _office_time(draft.received_at + timedelta(hours=review_h))
    return max(draft.received_at, min(reviewed, _last_office_time(now)))


def _due(draft: Draft, now: datetime, rng: Random) -> date:
    if draft.rush:
        return working_day_before(now.date() + timedelta(days=rng.randint(*RUSH_DUE)), draft.customer.place.country)
    lead = rng.uniform(20, 40) + (8 if Step.HIP in draft.steps else 0) + (6 if draft.machine_h > 80 else 0)
    age = (now.date() - draft.received_at.date()).days
    lead += 0.3 * age  # what is still open after weeks had a longer lead to begin with
    earliest = (EARLIEST_DUE_HIP if Step.HIP in draft.steps else EARLIEST_DUE) + (5 if draft.pending else 0)
    offset = min(max(round(lead - age), earliest + rng.randint(0, 3)), LATEST_DUE)
    return working_day_before(now.date() + timedelta(days=offset), draft.customer.place.country)


def _penalty(draft: Draft, rng: Random) -> int:
    """2 to 5 % of the rough value a day, a rush 8 to 15 %; whole currency units, at least 40."""
    share = rng.uniform(0.08, 0.15) if draft.rush else rng.uniform(0.02, 0.05)
    return 100 * max(40, math.floor(draft.value_cents * share / 100 + 0.5))


def received(now: datetime, days: int, rng: Random) -> datetime:
    """A working hour of a weekday before ``now``; fewer of the older ones, since most of those have been delivered."""
    while True:
        back = rng.randint(1, days)
        day = now.date() - timedelta(days=back)
        if day.weekday() < 5 and rng.random() < math.exp(-back / 10):
            minute = rng.randrange(7 * 60 + 30, 17 * 60, 5)
            return datetime.combine(day, time(minute // 60, minute % 60), tzinfo=now.tzinfo)


def working_day_before(day: date, country: str) -> date:
    """The day itself or the nearest working day before it in the country."""
    while day.weekday() >= 5 or day in _holidays(country):
        day -= timedelta(days=1)
    return day


@cache
def _holidays(country: str) -> holidays.HolidayBase:
    return holidays.country_holidays(country)


def _office_time(moment: datetime) -> datetime:
    """The moment itself on a full five minutes of office hours, or the next morning of a weekday."""
    result = moment.replace(minute=moment.minute - moment.minute % 5, second=0, microsecond=0)
    if result.hour >= 17:
        result = (result + timedelta(days=1)).replace(hour=8, minute=30)
    if result.hour < 8:
        result = result.replace(hour=8, minute=30)
    while result.weekday() >= 5:
        result = (result + timedelta(days=1)).replace(hour=8, minute=30)
    return result


def _last_office_time(now: datetime) -> datetime:
    """Half past four on the last weekday before the day of now."""
    result = (now - timedelta(days=1)).replace(hour=16, minute=30, second=0, microsecond=0)
    while result.weekday() >= 5:
        result -= timedelta(days=1)
    return result
