"""Staffed time and business days, derived from RULES.md section 1 as plain lists of intervals."""

from __future__ import annotations

from bisect import bisect_right
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import holidays

from router.domain.sites import Shift, Site
from router.kernel.moments import Minute, to_datetime, to_minute

_HORIZONS_DAYS = (30, 200, 800)
"""Staffed time is laid out this far ahead, one after the other; work that does not finish in the last has no end."""


class Country:
    """Public holidays and business days of a country (and subdivision), less closures.

    A country the package ``holidays`` does not know has no public holidays here.
    """

    def __init__(self, country: str, subdivision: str | None = None, closures: tuple[date, ...] = ()) -> None:
        self._closures = frozenset(closures)
        self._holidays: holidays.HolidayBase | None
        try:
            self._holidays = holidays.country_holidays(country, subdiv=subdivision)
        except NotImplementedError:
            self._holidays = None

    def open_on(self, day: date) -> bool:
        """Neither public holiday nor closure."""
        return day not in self._closures and (self._holidays is None or day not in self._holidays)

    def business_day(self, day: date) -> bool:
        """Monday to Friday, and open."""
        return day.weekday() < 5 and self.open_on(day)

    def plus_business_days(self, day: date, steps: int) -> date:
        """Each step goes to the next business day; no step leaves the date as it is."""
        for _ in range(steps):
            day += timedelta(days=1)
            while not self.business_day(day):
                day += timedelta(days=1)
        return day


class SiteCalendar(Country):
    """When people are at a site."""

    def __init__(self, site: Site) -> None:
        super().__init__(site.holiday_country, site.holiday_subdivision, site.closures)
        self.zone = ZoneInfo(site.time_zone)
        self._shifts = site.shifts
        self._from = self._until = date(1970, 1, 1)
        self._staffed: list[tuple[Minute, Minute]] = []

    def local(self, minute: Minute) -> datetime:
        """Wall clock of the site."""
        return to_datetime(minute).astimezone(self.zone)

    def minute(self, day: date, clock: time) -> Minute:
        """The minute of a wall-clock time; skipped or repeated times at their first meaning."""
        return to_minute(datetime.combine(day, clock.replace(fold=0), tzinfo=self.zone))

    def attended(self, start: Minute, minutes: int) -> tuple[Minute, Minute] | None:
        """First staffed minute at or after ``start``, and the moment ``minutes`` staffed minutes are counted."""
        if minutes == 0:
            return start, start
        for ahead in _HORIZONS_DAYS:
            first: Minute | None = None
            left = minutes
            for begin, end in self._staffed_from(start, ahead):
                begin = max(begin, start)
                first = begin if first is None else first
                if end - begin >= left:
                    return first, begin + left
                left -= end - begin
        return None

    def unattended(self, start: Minute, minutes: int) -> tuple[Minute, Minute] | None:
        """Begun in staffed time, then elapsed minutes."""
        begun = self.attended(start, min(minutes, 1))
        return None if begun is None else (begun[0], begun[0] + minutes)

    def _staffed_from(self, start: Minute, ahead_days: int) -> list[tuple[Minute, Minute]]:
        """Staffed stretches that end after ``start``, laid out at least so many days ahead."""
        day = self.local(start).date()
        if not (self._from + timedelta(days=7) <= day and day + timedelta(days=ahead_days) <= self._until):
            self._lay_out(day - timedelta(days=30), day + timedelta(days=ahead_days + 60))
        return self._staffed[bisect_right(self._staffed, start, key=lambda stretch: stretch[1]) :]

    def _lay_out(self, begin_day: date, end_day: date) -> None:
        """List the staffed stretches of the shifts that start on these days."""
        self._from, self._until = begin_day, end_day
        raw: list[tuple[Minute, Minute]] = []
        current = self._from
        while current < self._until:
            for shift in self._shifts:
                if current.weekday() in shift.weekdays and self.open_on(current):
                    raw.extend(self._hours(shift, current))
            current += timedelta(days=1)
        merged: list[tuple[Minute, Minute]] = []
        for begin, end in sorted(raw):
            if merged and begin <= merged[-1][1]:
                merged[-1] = (merged[-1][0], max(merged[-1][1], end))
            else:
                merged.append((begin, end))
        self._staffed = merged

    def _hours(self, shift: Shift, day: date) -> list[tuple[Minute, Minute]]:
        """One shift that starts on ``day``, less its own pauses."""
        next_day = day + timedelta(days=1)
        overnight = shift.end <= shift.start
        pieces = [(self.minute(day, shift.start), self.minute(next_day if overnight else day, shift.end))]
        for pause in shift.pauses:
            begin_day = next_day if overnight and pause.start < shift.start else day
            end_day = begin_day if pause.end > pause.start else begin_day + timedelta(days=1)
            out, back = self.minute(begin_day, pause.start), self.minute(end_day, pause.end)
            pieces = [
                part
                for begin, end in pieces
                for part in ((begin, min(end, out)), (max(begin, back), end))
                if part[0] < part[1]
            ]
        return pieces
