"""Clock changes and public holidays against published tables.

Sources: the IANA time zone database (2026-2027 rules); observed US holidays per 5 U.S.C. 6103 as listed by the
package ``holidays`` 0.109. Larger tables are read from the shared fact tables where these lie beside the project.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest
from small_shop import NORTH, WEST

from router.domain.sites import Shift
from router.kernel.moments import to_minute
from router.worktime import StaffedTime, business_days

FACTS = Path(__file__).resolve().parents[2].parent / "shared" / "data" / "facts"


def table(name: str) -> list[dict[str, str]]:
    if not (FACTS / name).is_file():
        pytest.skip(f"{name} does not lie beside the project")
    with (FACTS / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def utc(*parts: int) -> int:
    return to_minute(datetime(*parts, tzinfo=UTC))  # type: ignore[arg-type]


def nights(zone: str, start: time, end: time) -> StaffedTime:
    """A shift on every night of the week."""
    every_day = (0, 1, 2, 3, 4, 5, 6)
    site = replace(NORTH, time_zone=zone, holiday_country="US", holiday_subdivision=None)
    return StaffedTime(replace(site, shifts=(Shift(every_day, start, end),)))


def test_eight_hours_over_the_spring_change_in_new_york() -> None:
    """IANA: America/New_York goes from -5 h to -4 h at 2026-03-08 02:00. A shift 22:00-06:00 has seven hours."""
    night = nights("America/New_York", time(22), time(6))
    start = night.at_local(date(2026, 3, 7), time(22))
    assert start == utc(2026, 3, 8, 3)
    assert night.intervals(start, start + 720) == [(start, start + 420)]
    # Eight elapsed hours end at 07:00 on the wall, eight attended hours an hour into the next shift.
    assert night.local(night.unattended(start, 480)[1]) == (date(2026, 3, 8), 7 * 60)
    assert night.local(night.attended(start, 480)[1]) == (date(2026, 3, 8), 23 * 60)


def test_the_autumn_shift_in_new_york_has_nine_hours() -> None:
    """IANA: back from -4 h to -5 h at 2026-11-01 02:00."""
    night = nights("America/New_York", time(22), time(6))
    start = night.at_local(date(2026, 10, 31), time(22))
    assert night.intervals(start, start + 720) == [(start, start + 540)]
    assert night.local(night.attended(start, 480)[1]) == (date(2026, 11, 1), 5 * 60)


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("Europe/London", date(2026, 3, 29), 23),  # 01:00 UTC, IANA
        ("Europe/London", date(2026, 10, 25), 25),
        ("Europe/Berlin", date(2027, 3, 28), 23),
        ("Europe/Berlin", date(2027, 10, 31), 25),
        ("Australia/Sydney", date(2026, 4, 5), 25),
        ("Australia/Sydney", date(2026, 10, 4), 23),
        ("America/Phoenix", date(2026, 3, 8), 24),  # no change
        ("Asia/Kolkata", date(2026, 3, 29), 24),
    ],
)
def test_length_of_the_days_on_which_clocks_change(zone: str, day: date, hours: int) -> None:
    staffed = nights(zone, time(0), time(0))
    start = staffed.at_local(day, time(0))
    assert staffed.at_local(day + timedelta(days=1), time(0)) - start == 60 * hours
    assert staffed.staffed_minutes(start, start + 60 * hours) == 60 * hours


def test_skipped_and_repeated_wall_times_take_their_first_meaning() -> None:
    """Python documentation of ``datetime.fold``: with 0 the offset before the change holds."""
    staffed = StaffedTime(WEST)
    assert staffed.at_local(date(2026, 3, 8), time(2, 30)) == utc(2026, 3, 8, 7, 30)
    assert staffed.at_local(date(2026, 11, 1), time(1, 30)) == utc(2026, 11, 1, 5, 30)


def test_every_clock_change_of_the_table() -> None:
    rows = table("dst_transitions.csv")
    assert len(rows) > 40
    for row in rows:
        staffed = nights(row["zone"], time(8), time(16))
        if row["instant_utc"].startswith("none"):
            offsets = set()
            for k in range(0, 730, 7):
                t = utc(2026, 1, 1, 12) + 1440 * k
                day, minute = staffed.local(t)
                offsets.add(to_minute(datetime(day.year, day.month, day.day, tzinfo=UTC)) + minute - t)
            assert len(offsets) == 1, row["zone"]
            continue
        instant = to_minute(datetime.strptime(row["instant_utc"], "%Y-%m-%dT%H:%MZ").replace(tzinfo=UTC))
        for t, offset in ((instant - 1, row["offset_before_min"]), (instant, row["offset_after_min"])):
            day, minute = staffed.local(t)
            wall = to_minute(datetime(day.year, day.month, day.day, tzinfo=UTC)) + minute
            assert wall - t == int(offset), row
        after = datetime.fromisoformat(row["local_after"])
        assert staffed.local(instant) == (after.date(), after.hour * 60 + after.minute)


def test_observed_days_in_the_united_states() -> None:
    """5 U.S.C. 6103: a holiday on a Saturday is kept on the Friday, on a Sunday on the Monday."""
    days = business_days("US")
    for observed in ((2026, 7, 3), (2027, 6, 18), (2027, 7, 5), (2027, 12, 24), (2027, 12, 31)):
        assert not days.is_business(date(*observed))
    assert days.add(date(2026, 7, 2), 1) == date(2026, 7, 6)


def test_every_public_holiday_of_the_table_and_no_other() -> None:
    """Seven countries and subdivisions, 2026 and 2027, package ``holidays`` 0.109."""
    listed: dict[str, set[date]] = {}
    for row in table("public_holidays.csv"):
        listed.setdefault(row["region"], set()).add(date.fromisoformat(row["date"]))
    assert len(listed) == 7
    for region, holidays in listed.items():
        country, _, subdivision = region.partition("-")
        days = business_days(country, subdivision or None)
        for k in range(730):
            day = date(2026, 1, 1) + timedelta(days=k)
            assert days.is_open(day) == (day not in holidays), f"{region} {day}"
            assert days.is_business(day) == (day not in holidays and day.weekday() < 5)
