"""When a site is staffed, for the shading of the schedule. RULES.md, section 1, for display: pauses are not drawn."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import holidays

from router.domain.sites import Site

Span = tuple[datetime, datetime]


def staffed_spans(site: Site, start: datetime, end: datetime) -> tuple[Span, ...]:
    """Shifts of the site within [start, end), joined where they touch, in UTC.

    A shift belongs to the local date on which it starts and falls out on a public holiday or a closure.
    """
    zone = ZoneInfo(site.time_zone)
    first = start.astimezone(zone).date() - timedelta(days=1)
    last = end.astimezone(zone).date()
    closed = set(site.closures) | _public_holidays(site, range(first.year, last.year + 1))
    spans: list[Span] = []
    day = first
    while day <= last:
        if day not in closed:
            for shift in site.shifts:
                if day.weekday() in shift.weekdays:
                    ends_on = day + timedelta(days=1) if shift.end <= shift.start else day
                    begin = datetime.combine(day, shift.start, tzinfo=zone).astimezone(UTC)
                    finish = datetime.combine(ends_on, shift.end, tzinfo=zone).astimezone(UTC)
                    if max(begin, start) < min(finish, end):
                        spans.append((max(begin, start), min(finish, end)))
        day += timedelta(days=1)
    return _joined(spans)


def unstaffed_spans(site: Site, start: datetime, end: datetime) -> tuple[Span, ...]:
    """What `staffed_spans` leaves of [start, end): nights, weekends, holidays."""
    gaps: list[Span] = []
    at = start
    for begin, finish in staffed_spans(site, start, end):
        if begin > at:
            gaps.append((at, begin))
        at = max(at, finish)
    if at < end:
        gaps.append((at, end))
    return tuple(gaps)


def _joined(spans: list[Span]) -> tuple[Span, ...]:
    joined: list[Span] = []
    for begin, finish in sorted(spans):
        if joined and begin <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(finish, joined[-1][1]))
        else:
            joined.append((begin, finish))
    return tuple(joined)


def _public_holidays(site: Site, years: range) -> set[date]:
    """Public holidays of the site's region; none when the package does not know the region."""
    known = _regions().get(site.holiday_country)
    if known is None or (site.holiday_subdivision is not None and site.holiday_subdivision not in known):
        return set()
    return set(holidays.country_holidays(site.holiday_country, subdiv=site.holiday_subdivision, years=list(years)))


@lru_cache(maxsize=1)
def _regions() -> Mapping[str, list[str]]:
    """Countries the package knows, with their subdivisions; looked up once, for it is slow."""
    return holidays.list_supported_countries()
