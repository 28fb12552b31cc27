"""Staffed time of a site: when people are there, and how long work takes around their absence."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from router.domain.sites import Shift, Site
from router.kernel.faults import PlatewrightError
from router.kernel.moments import Minute, to_datetime, to_minute
from router.worktime.business import SEARCH_DAYS, BusinessDays, business_days

_ONE_DAY = timedelta(days=1)
_CHUNK_DAYS = 60
_DAY_MIN = 1440
_LONGEST_DAYS = 20 * 366
"""Work that is not done after twenty years is a fault of its data, not something to look up calendars for."""


class StaffedTime:
    """The staffed time of one site as sorted intervals, looked up by bisection (RULES.md, section 1).

    The calendar is worked out for stretches of days around the moments asked for and grows as needed.
    Each shift loses its own pauses, then the shifts are united. Not for use by two threads at once.
    """

    __slots__ = (
        "_beyond",
        "_cum",
        "_ends",
        "_first",
        "_high",
        "_last",
        "_low",
        "_moments",
        "_starts",
        "_zone",
        "business",
        "site",
    )

    def __init__(self, site: Site) -> None:
        """Raises PlatewrightError for an unknown time zone or holiday calendar."""
        try:
            self._zone = ZoneInfo(site.time_zone)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise PlatewrightError(
                f"site {site.site_id}: time zone {site.time_zone!r} is not known; expected a name such as Europe/Berlin"
            ) from error
        self.site = site
        self.business: BusinessDays = business_days(site.holiday_country, site.holiday_subdivision, site.closures)
        self._moments: dict[tuple[date, time], Minute] = {}
        self._starts: list[Minute] = []
        self._ends: list[Minute] = []
        self._cum: list[int] = [0]  # staffed minutes before interval i; one entry more than there are intervals
        self._beyond: list[tuple[Minute, Minute]] = []  # what the shifts worked out so far reach past high
        self._first: date | None = None  # dates whose shifts are worked out: first <= d < last
        self._last: date | None = None
        self._low: Minute = 0  # every staffed minute in [low, high) is in the table
        self._high: Minute = 0

    def next_staffed(self, t: Minute) -> Minute:
        """The first staffed minute at or after ``t``. Raises PlatewrightError when none comes within 400 days."""
        i = self._interval(t)
        return max(t, self._starts[i])

    def attended(self, t: Minute, minutes: int) -> tuple[Minute, Minute]:
        """Start and end of ``minutes`` of attended work begun at ``t``; it pauses whenever nobody is there."""
        if minutes <= 0:
            return _no_work(t, minutes)
        i = self._interval(t)
        start = self._starts[i]
        start = max(start, t)
        end = start + minutes
        if end <= self._ends[i]:
            return start, end
        goal = self._cum[i] + (start - self._starts[i]) + minutes
        while self._cum[-1] < goal:
            self._grow_until_more(t)  # adds later days only: what is counted so far stays as it is
        j = bisect_left(self._cum, goal, i + 1) - 1
        return start, self._starts[j] + goal - self._cum[j]

    def unattended(self, t: Minute, minutes: int) -> tuple[Minute, Minute]:
        """Start and end of work that is started by hand at or after ``t`` and then runs through."""
        if minutes <= 0:
            return _no_work(t, minutes)
        start = self.next_staffed(t)
        return start, start + minutes

    def local(self, t: Minute) -> tuple[date, int]:
        """Local date and wall-clock minute of the day of a moment."""
        wall = datetime.fromtimestamp(60 * t, self._zone)
        return wall.date(), wall.hour * 60 + wall.minute

    def at_local(self, day: date, wall: time) -> Minute:
        """The moment of a local date and wall-clock time; skipped or repeated times at their first meaning."""
        key = (day, wall)
        moment = self._moments.get(key)
        if moment is None:
            moment = to_minute(datetime.combine(day, wall.replace(tzinfo=None, fold=0), tzinfo=self._zone))
            self._moments[key] = moment
        return moment

    def intervals(self, start: Minute, end: Minute) -> list[tuple[Minute, Minute]]:
        """Staffed intervals within ``[start, end)``, clipped to it."""
        if end <= start:
            return []
        self._cover(start)
        self._cover(end)
        found = []
        for i in range(bisect_right(self._ends, start), bisect_left(self._starts, end)):
            found.append((max(start, self._starts[i]), min(end, self._ends[i])))
        return found

    def staffed_minutes(self, start: Minute, end: Minute) -> int:
        """Staffed minutes within ``[start, end)``."""
        return sum(b - a for a, b in self.intervals(start, end))

    def collected(self, t: Minute, cutoff: time, weekdays: Iterable[int] | None = None) -> date:
        """First date at or after ``t`` that is a business day of the site (and one of ``weekdays``, 0 is Monday).

        The local date of ``t`` itself counts only while the wall clock stands at or before ``cutoff``.
        Raises PlatewrightError when no such date comes within 400 days.
        """
        day, minute_of_day = self.local(t)
        if minute_of_day > cutoff.hour * 60 + cutoff.minute:
            day += _ONE_DAY
        allowed = None if weekdays is None else weekdays if isinstance(weekdays, tuple) else tuple(weekdays)
        for _ in range(SEARCH_DAYS):
            if self.business.is_business(day) and (allowed is None or day.weekday() in allowed):
                return day
            day += _ONE_DAY
        raise PlatewrightError(
            f"site {self.site.site_id}: no business day for a collection within {SEARCH_DAYS} days after "
            f"{to_datetime(t).isoformat()}; check the collection weekdays and the closures"
        )

    # --- the table ---------------------------------------------------------------------------------------------

    def _interval(self, t: Minute) -> int:
        """Index of the first interval that ends after ``t``."""
        if not self._low <= t < self._high:
            self._cover(t)
        i = bisect_right(self._ends, t)
        while i == len(self._ends):
            self._grow_until_more(t)
            i = bisect_right(self._ends, t)
        return i

    def _grow_until_more(self, t: Minute) -> None:
        """Work out later days until staffed time is added, for a piece of work begun at ``t``."""
        before = self._cum[-1]
        idle_from = self._ends[-1] if self._ends and self._ends[-1] > t else t
        while self._cum[-1] == before:
            if self._high > idle_from + SEARCH_DAYS * _DAY_MIN:
                raise PlatewrightError(
                    f"site {self.site.site_id}: nobody is there within {SEARCH_DAYS} days after "
                    f"{to_datetime(idle_from).isoformat()}; check its shifts, holidays and closures"
                )
            if self._high > t + _LONGEST_DAYS * _DAY_MIN:
                raise PlatewrightError(
                    f"site {self.site.site_id}: work begun at {to_datetime(t).isoformat()} is not done after twenty "
                    "years of its shifts; check its minutes"
                )
            assert self._first is not None and self._last is not None
            # Growing by a quarter keeps the total effort linear in the days worked out.
            self._build(
                self._first, self._last + timedelta(days=max(_CHUNK_DAYS, (self._last - self._first).days // 4))
            )

    def _cover(self, t: Minute) -> None:
        """Make the table complete around ``t``."""
        if self._low <= t < self._high:
            return
        day = to_datetime(t).date()
        first, last = day - 2 * _ONE_DAY, day + timedelta(days=_CHUNK_DAYS)
        if self._first is not None and self._last is not None:
            if first < self._first:
                first = min(first, self._first - timedelta(days=_CHUNK_DAYS))
            first, last = min(first, self._first), max(last, self._last)
        self._build(first, last)

    def _build(self, first: date, last: date) -> None:
        """Work out the shifts that start on ``first <= date < last``."""
        spans: list[tuple[Minute, Minute]] = []
        if self._first is not None and self._last is not None and first == self._first:
            spans.extend(zip(self._starts, self._ends, strict=True))
            spans.extend(self._beyond)
            day = self._last
        else:
            day = first
        while day < last:
            if self.business.is_open(day):
                for shift in self.site.shifts:
                    if day.weekday() in shift.weekdays:
                        spans.extend(self._worked(day, shift))
            day += _ONE_DAY
        # A shift of the day before may reach into the first date, never into the one after it; what reaches past
        # the last date waits until the shifts of the next one are known.
        high = self.at_local(last, time(0))
        starts: list[Minute] = []
        ends: list[Minute] = []
        beyond: list[tuple[Minute, Minute]] = []
        for start, end in sorted(spans):
            if end > high:
                beyond.append((max(start, high), end))
                end = high
                if start >= high:
                    continue
            if ends and start <= ends[-1]:
                ends[-1] = max(ends[-1], end)
            else:
                starts.append(start)
                ends.append(end)
        cum = [0]
        for start, end in zip(starts, ends, strict=True):
            cum.append(cum[-1] + end - start)
        self._starts, self._ends, self._cum = starts, ends, cum
        self._beyond = beyond
        self._first, self._last = first, last
        self._low, self._high = self.at_local(first + _ONE_DAY, time(0)), high

    def _worked(self, day: date, shift: Shift) -> Iterator[tuple[Minute, Minute]]:
        """Intervals of one shift that starts on ``day``, less its pauses."""
        overnight = shift.end <= shift.start
        begin = self.at_local(day, shift.start)
        finish = self.at_local(day + _ONE_DAY if overnight else day, shift.end)
        pauses = []
        for pause in shift.pauses:
            # In a shift over midnight, a pause earlier on the clock than the shift's start lies on the next day.
            paused = day + _ONE_DAY if overnight and pause.start < shift.start else day
            resumed = paused if pause.end > pause.start else paused + _ONE_DAY
            pauses.append((self.at_local(paused, pause.start), self.at_local(resumed, pause.end)))
        at = begin
        for pause_start, pause_end in sorted(pauses):
            if at < min(pause_start, finish):
                yield at, min(pause_start, finish)
            at = max(at, pause_end)
        if at < finish:
            yield at, finish


def _no_work(t: Minute, minutes: int) -> tuple[Minute, Minute]:
    if minutes < 0:
        raise ValueError(f"work lasts 0 minutes or more, found {minutes}")
    return t, t
