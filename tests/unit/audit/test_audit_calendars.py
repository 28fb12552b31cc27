"""Staffed time and business days against days counted by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time

import pytest

from router.audit.calendars import Country, SiteCalendar
from router.domain.network import Scenario
from router.domain.sites import Pause, Shift, Site
from router.kernel.moments import to_datetime, to_minute


def at(text: str) -> int:
    return to_minute(datetime.fromisoformat(text))


def shown(span: tuple[int, int] | None) -> tuple[str, str]:
    assert span is not None
    begin, end = (to_datetime(m).astimezone(UTC).isoformat(timespec="minutes")[:16] for m in span)
    return begin, end


@pytest.fixture
def night_site(scenario: Scenario) -> Site:
    """Berlin, Monday to Friday 22:00 to 06:00 with a break from 01:45 to 02:30."""
    return replace(
        scenario.network.site["south"],
        shifts=(Shift((0, 1, 2, 3, 4, 5), time(22), time(6), (Pause(time(1, 45), time(2, 30)),)),),
        closures=(),
    )


def test_work_pauses_in_breaks_and_nights(scenario: Scenario) -> None:
    cal = SiteCalendar(scenario.network.site["north"])
    # Tuesday 3 March, Chicago UTC-6: 11:30-12:00, 12:30-16:00, then Wednesday from 08:00.
    assert shown(cal.attended(at("2026-03-03T17:30Z"), 270)) == ("2026-03-03T17:30", "2026-03-04T14:30")
    assert shown(cal.attended(at("2026-03-03T18:10Z"), 1)) == ("2026-03-03T18:30", "2026-03-03T18:31")
    assert shown(cal.attended(at("2026-03-03T17:30Z"), 30)) == ("2026-03-03T17:30", "2026-03-03T18:00")


def test_no_work_takes_no_time_even_at_night(scenario: Scenario) -> None:
    cal = SiteCalendar(scenario.network.site["north"])
    night = at("2026-03-03T05:00Z")
    assert cal.attended(night, 0) == (night, night)
    assert cal.unattended(night, 0) == (night, night)


def test_a_furnace_starts_in_staffed_time_and_runs_through(scenario: Scenario) -> None:
    cal = SiteCalendar(scenario.network.site["north"])
    assert shown(cal.unattended(at("2026-03-07T12:00Z"), 600)) == ("2026-03-09T13:00", "2026-03-09T23:00")


def test_a_night_shift_across_the_clock_change_is_an_hour_shorter(night_site: Site) -> None:
    # Saturday 28 March 22:00 (21:00Z) to Sunday 06:00 summer time (04:00Z): seven hours elapsed. The break begins at
    # 01:45 (00:45Z) and ends at 02:30, a time that is skipped; its first meaning is standard time, 01:30Z.
    cal = SiteCalendar(night_site)
    assert shown(cal.attended(at("2026-03-28T20:00Z"), 225)) == ("2026-03-28T21:00", "2026-03-29T00:45")
    assert shown(cal.attended(at("2026-03-28T20:00Z"), 226)) == ("2026-03-28T21:00", "2026-03-29T01:31")
    assert shown(cal.attended(at("2026-03-28T20:00Z"), 225 + 150)) == ("2026-03-28T21:00", "2026-03-29T04:00")


def test_a_shift_belongs_to_the_day_on_which_it_starts(night_site: Site) -> None:
    # Good Friday is 3 April 2026: Thursday's shift runs into it, Friday's does not take place.
    cal = SiteCalendar(night_site)
    assert shown(cal.attended(at("2026-04-03T03:00Z"), 60)) == ("2026-04-03T03:00", "2026-04-03T04:00")
    assert shown(cal.attended(at("2026-04-03T04:00Z"), 60)) == ("2026-04-04T20:00", "2026-04-04T21:00")


def test_overlapping_shifts_count_once(scenario: Scenario) -> None:
    site = replace(
        scenario.network.site["south"],
        shifts=(Shift((0,), time(6), time(14)), Shift((0,), time(10), time(16)), Shift((0,), time(15), time(17))),
    )
    assert shown(SiteCalendar(site).attended(at("2026-03-02T05:00Z"), 11 * 60)) == (
        "2026-03-02T05:00",
        "2026-03-02T16:00",
    )


def test_long_work_passes_the_first_horizon(scenario: Scenario) -> None:
    cal = SiteCalendar(scenario.network.site["south"])
    # 16 h a day; from Monday 4 May 2026: 100 days need 100 working days less the holidays 14 and 25 May.
    span = cal.attended(at("2026-05-04T04:00Z"), 100 * 16 * 60)
    assert span is not None
    country = Country("DE", "BE")
    assert country.plus_business_days(date(2026, 5, 4), 99) == cal.local(span[1]).date()


def test_a_site_without_shifts_never_works(scenario: Scenario) -> None:
    cal = SiteCalendar(replace(scenario.network.site["south"], shifts=()))
    assert cal.attended(at("2026-03-02T05:00Z"), 1) is None


def test_business_days_skip_weekends_holidays_and_closures() -> None:
    berlin = Country("DE", "BE", (date(2026, 4, 7),))
    # 3 April Good Friday, 6 April Easter Monday, 7 April closed.
    assert berlin.plus_business_days(date(2026, 4, 2), 1) == date(2026, 4, 8)
    assert berlin.plus_business_days(date(2026, 4, 4), 0) == date(2026, 4, 4)
    assert not berlin.business_day(date(2026, 4, 3))
    # Independence Day 2026 is a Saturday, observed on Friday 3 July.
    assert Country("US").plus_business_days(date(2026, 7, 2), 1) == date(2026, 7, 6)


def test_an_unknown_country_has_weekends_only() -> None:
    assert Country("XX").business_day(date(2026, 12, 25))
    assert not Country("XX").business_day(date(2026, 12, 26))
