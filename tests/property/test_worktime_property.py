"""Staffed time against a minute-by-minute count, across clock changes; business days against a step-by-step one."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import holidays
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from small_shop import NORTH

from router.domain.sites import Pause, Shift, Site
from router.kernel.moments import Minute, to_datetime, to_minute
from router.worktime import BusinessDays, StaffedTime

# Days on which clocks change (and a few on which they do not), some with half an hour only.
CHANGES = [
    ("America/New_York", date(2026, 3, 8)),
    ("America/New_York", date(2026, 11, 1)),
    ("Europe/Berlin", date(2026, 3, 29)),
    ("Europe/Berlin", date(2026, 10, 25)),
    ("Australia/Sydney", date(2026, 4, 5)),
    ("Australia/Lord_Howe", date(2026, 10, 4)),
    ("Asia/Kolkata", date(2026, 3, 29)),
]

clock = st.builds(time, st.integers(0, 23), st.sampled_from([0, 7, 15, 30, 59]))
pause = st.builds(Pause, clock, clock)
shift = st.builds(
    Shift,
    st.lists(st.integers(0, 6), min_size=1, max_size=7, unique=True).map(tuple),
    clock,
    clock,
    st.lists(pause, max_size=2).map(tuple),
)


@st.composite
def calendars(draw: st.DrawFn) -> tuple[Site, date]:
    zone, day = draw(st.sampled_from(CHANGES))
    site = replace(
        NORTH,
        time_zone=zone,
        holiday_country=draw(st.sampled_from(["DE", "US"])),
        holiday_subdivision=None,
        shifts=tuple(draw(st.lists(shift, min_size=1, max_size=3))),
        closures=tuple(day + timedelta(days=k) for k in draw(st.lists(st.integers(-2, 3), max_size=2, unique=True))),
    )
    return site, day


def utc_minute(zone: ZoneInfo, day: date, wall: time) -> Minute:
    return to_minute(datetime.combine(day, wall, zone).astimezone(UTC))


def staffed_minutes(site: Site, first: date, last: date) -> set[Minute]:
    """Every staffed minute of shifts that start on first..last, one by one."""
    zone = ZoneInfo(site.time_zone)
    closed = holidays.country_holidays(site.holiday_country)
    found: set[Minute] = set()
    for k in range((last - first).days + 1):
        day = first + timedelta(days=k)
        if day in site.closures or day in closed:
            continue
        for s in site.shifts:
            if day.weekday() not in s.weekdays:
                continue
            next_day = day + timedelta(days=1)
            worked = set(
                range(utc_minute(zone, day, s.start), utc_minute(zone, next_day if s.end <= s.start else day, s.end))
            )
            for p in s.pauses:
                begins = next_day if s.end <= s.start and p.start < s.start else day
                ends = begins + timedelta(days=1) if p.end <= p.start else begins
                worked -= set(range(utc_minute(zone, begins, p.start), utc_minute(zone, ends, p.end)))
            found |= worked
    return found


@settings(max_examples=60, deadline=None)
@given(calendars(), st.integers(0, 3 * 1440), st.integers(0, 4000))
def test_attended_work_counts_staffed_minutes_one_by_one(
    calendar: tuple[Site, date], offset: int, minutes: int
) -> None:
    site, day = calendar
    present = sorted(staffed_minutes(site, day - timedelta(days=3), day + timedelta(days=14)))
    t = utc_minute(ZoneInfo(site.time_zone), day - timedelta(days=1), time(0)) + offset
    ahead = [x for x in present if x >= t]
    staffed = StaffedTime(site)
    known_until = utc_minute(ZoneInfo(site.time_zone), day + timedelta(days=14), time(0))
    assume(ahead and minutes <= len(ahead) and ahead[max(minutes - 1, 0)] < known_until)
    assert staffed.next_staffed(t) == ahead[0]
    if minutes == 0:
        assert staffed.attended(t, 0) == staffed.unattended(t, 0) == (t, t)
    else:
        assert staffed.attended(t, minutes) == (ahead[0], ahead[minutes - 1] + 1)
        assert staffed.unattended(t, minutes) == (ahead[0], ahead[0] + minutes)


@settings(max_examples=60, deadline=None)
@given(calendars(), st.integers(-2000, 4000), st.integers(1, 6000))
def test_intervals_are_the_staffed_minutes(calendar: tuple[Site, date], offset: int, length: int) -> None:
    site, day = calendar
    start = utc_minute(ZoneInfo(site.time_zone), day, time(0)) + offset
    spans = StaffedTime(site).intervals(start, start + length)
    counted = [x for a, b in spans for x in range(a, b)]
    expected = staffed_minutes(site, day - timedelta(days=5), day + timedelta(days=10))
    assert counted == sorted(x for x in expected if start <= x < start + length)
    assert all(a < b for a, b in spans)
    assert all(b < c for (_, b), (c, _) in itertools.pairwise(spans))


working = calendars().filter(lambda c: any(s.start != s.end and not s.pauses for s in c[0].shifts))


@settings(max_examples=60, deadline=None)
@given(working, st.integers(0, 20_000), st.integers(0, 20_000), st.integers(0, 5000), st.integers(0, 5000))
def test_attended_work_is_monotone_in_start_and_minutes(
    calendar: tuple[Site, date], t1: int, t2: int, m1: int, m2: int
) -> None:
    site, day = calendar
    base = utc_minute(ZoneInfo(site.time_zone), day, time(0))
    t1, t2 = sorted((base + t1, base + t2))
    m1, m2 = sorted((m1, m2))
    staffed = StaffedTime(site)
    assert staffed.attended(t1, m1)[1] <= staffed.attended(t1, m2)[1]
    if m1 > 0:
        assert staffed.attended(t1, m1)[1] <= staffed.attended(t2, m1)[1]
        start, end = staffed.attended(t1, m1)
        assert end - start >= m1
        assert staffed.staffed_minutes(t1, end) == m1
        assert staffed.staffed_minutes(end - 1, end) == 1
    # Work done in two goes without a break between ends when it does in one.
    if 0 < m1 < m2:
        half = staffed.attended(t1, m1)[1]
        assert staffed.attended(half, m2 - m1)[1] == staffed.attended(t1, m2)[1]


@settings(max_examples=40, deadline=None)
@given(working, st.lists(st.tuples(st.integers(-300_000, 300_000), st.integers(1, 9000)), min_size=1, max_size=8))
def test_answers_do_not_depend_on_what_was_asked_before(
    calendar: tuple[Site, date], asked: list[tuple[int, int]]
) -> None:
    site, day = calendar
    base = utc_minute(ZoneInfo(site.time_zone), day, time(0))
    used = StaffedTime(site)
    for offset, minutes in asked:
        assert used.attended(base + offset, minutes) == StaffedTime(site).attended(base + offset, minutes)


@given(st.sampled_from(CHANGES), st.integers(-3000, 3000))
def test_local_time_leads_back_to_the_moment(change: tuple[str, date], offset: int) -> None:
    zone, day = change
    staffed = StaffedTime(replace(NORTH, time_zone=zone))
    t = utc_minute(ZoneInfo(zone), day, time(12)) + offset
    local_day, minute = staffed.local(t)
    back = staffed.at_local(local_day, time(minute // 60, minute % 60))
    # A repeated wall time means its first run: then the way back is as much earlier as the clock was set back.
    assert back == t or (back < t and staffed.local(back) == (local_day, minute))
    assert to_datetime(t).astimezone(ZoneInfo(zone)).date() == local_day


COUNTRIES = [("DE", "BY"), ("US", "OH"), ("FR", None), ("GB", "ENG"), ("JP", None), ("IN", None)]


@given(
    st.sampled_from(COUNTRIES),
    st.dates(date(2025, 1, 1), date(2028, 12, 31)),
    st.integers(0, 40),
    st.lists(st.integers(0, 60), max_size=5),
)
def test_business_days_are_counted_one_by_one(
    where: tuple[str, str | None], day: date, steps: int, closed: list[int]
) -> None:
    country, subdivision = where
    closures = [day + timedelta(days=k) for k in closed]
    days = BusinessDays(country, subdivision, closures)
    public = holidays.country_holidays(country, subdiv=subdivision)
    at, left = day, steps
    while left:
        at += timedelta(days=1)
        if at.weekday() < 5 and at not in public and at not in closures:
            left -= 1
    assert days.add(day, steps) == at
    assert days.add(days.add(day, steps // 2), steps - steps // 2) == at
    first = days.first_on_or_after(day)
    assert first == (day if days.is_business(day) else days.add(day, 1))
