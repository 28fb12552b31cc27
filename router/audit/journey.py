"""The way of a plate or a lot through its steps: when it is ready, what that costs, who does it (section 5)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from router.audit.calendars import SiteCalendar
from router.audit.figures import Cents, cents, half_up, whole_minutes
from router.domain.alloys import Alloy
from router.domain.network import Network
from router.domain.orders import OrderLine
from router.domain.sites import ALWAYS_STEPS, PLATE_STEPS, OutsideService, Site, Step, WorkCentre
from router.kernel.moments import Minute


@dataclass(frozen=True, slots=True)
class Gap:
    """A step nobody can do."""

    step: Step
    for_want_of: str
    """``service`` (no centre and no outside service) or ``export code``."""


@dataclass(frozen=True, slots=True)
class Journey:
    """Through all steps. With gaps, time and cost are those of the other steps."""

    ready: Minute | None
    """None when a start is unknown or the site is never staffed."""
    cost: Cents
    outside: tuple[str, ...]
    gaps: tuple[Gap, ...]


def route(line: OrderLine, alloy: Alloy) -> tuple[Step, ...]:
    """All steps of a line, in the order of `Step`."""
    return tuple(
        s for s in Step if s in ALWAYS_STEPS or s in line.steps or (s is Step.STRESS_RELIEF and alloy.stress_relief)
    )


def plate_route(alloy: Alloy) -> tuple[Step, ...]:
    """The steps done to a whole plate of an alloy."""
    return tuple(s for s in PLATE_STEPS if s in ALWAYS_STEPS or (s is Step.STRESS_RELIEF and alloy.stress_relief))


def lot_route(line: OrderLine, alloy: Alloy) -> tuple[Step, ...]:
    """The steps of a line after the plate."""
    return tuple(s for s in route(line, alloy) if s not in PLATE_STEPS)


def centre_minutes(centre: WorkCentre, pieces: int, support_cm3: float) -> float:
    """Minutes of a step at a site's own work centre, before rounding."""
    if centre.step in PLATE_STEPS:
        return centre.plate_min
    return centre.lot_min + pieces * (centre.piece_min + centre.min_per_support_cm3 * support_cm3)


def pickup_date(cal: SiteCalendar, service: OutsideService, ready: Minute) -> date | None:
    """The day a service collects what is ready; None when it never comes."""
    local = cal.local(ready)
    for ahead in range(800):
        day = local.date() + timedelta(days=ahead)
        in_time = ahead > 0 or local.time() <= service.pickup_time
        if in_time and day.weekday() in service.pickup_weekdays and cal.business_day(day):
            return day
    return None


def travel(
    net: Network,
    cal: SiteCalendar,
    site: Site,
    steps: Sequence[Step],
    start: Minute | None,
    minutes_at: Callable[[WorkCentre], float],
    outside_kg: float,
    export_codes: frozenset[str],
) -> Journey:
    """Go through steps one after another from a moment on; `outside_kg` is what an outside service charges by."""
    now = start
    cost: Cents = (0, 0)
    used: list[str] = []
    gaps: list[Gap] = []
    for step in steps:
        centre = net.work_centre.get((site.site_id, step))
        if centre is not None:
            minutes = minutes_at(centre)
            hourly = centre.rate_cents_per_h + (site.labour_cents_per_h if centre.attended else 0)
            cost = _plus(cost, cents(centre.fixed_cents + minutes / 60 * hourly))
            if now is not None:
                work = cal.attended if centre.attended else cal.unattended
                done = work(now, whole_minutes(minutes))
                now = None if done is None else done[1]
            continue
        chosen = _choose(net, cal, site, step, now, outside_kg, export_codes)
        if isinstance(chosen, Gap):
            gaps.append(chosen)
            continue
        service, now = chosen
        used.append(service.service_id)
        cost = _plus(cost, cents(service.lot_cents + service.cents_per_kg * outside_kg))
    return Journey(now, cost, tuple(used), tuple(gaps))


def _choose(
    net: Network,
    cal: SiteCalendar,
    site: Site,
    step: Step,
    ready: Minute | None,
    outside_kg: float,
    export_codes: frozenset[str],
) -> tuple[OutsideService, Minute | None] | Gap:
    """The cheapest outside service allowed to have the pieces, and when it brings them back."""
    serving = net.outside(site.site_id, step)
    if not serving:
        return Gap(step, "service")
    allowed: list[tuple[int, str, OutsideService, Minute | None]] = []
    for service in serving:
        day = None if ready is None else pickup_date(cal, service, ready)
        codes = {c.code for c in service.credentials if day is None or c.covers(day)}
        if not export_codes <= codes:
            continue
        back: Minute | None = None
        if day is not None:
            back = cal.minute(cal.plus_business_days(day, service.lead_working_days), service.return_time)
        price = half_up(service.lot_cents + service.cents_per_kg * outside_kg)
        allowed.append((price, service.service_id, service, back))
    if not allowed:
        return Gap(step, "export code")
    _, _, service, back = min(allowed, key=lambda x: x[:2])
    return service, back


def _plus(one: Cents, other: Cents) -> Cents:
    return one[0] + other[0], one[1] + other[1]
