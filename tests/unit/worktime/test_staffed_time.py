from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import pytest
from small_shop import NORTH

from router.domain.sites import Pause, Shift
from router.kernel.faults import PlatewrightError
from router.kernel.moments import Minute, to_minute
from router.worktime import StaffedTime, whole_minutes

STAFFED = StaffedTime(NORTH)
"""Monday to Friday 06:00-14:00 in Berlin, pause 10:00-10:30."""


def at(day: int, hour: int, minute: int = 0, *, month: int = 3) -> Minute:
    return STAFFED.at_local(date(2026, month, day), time(hour, minute))


def test_next_staffed_minute() -> None:
    assert STAFFED.next_staffed(at(2, 3)) == at(2, 6)
    assert STAFFED.next_staffed(at(2, 7)) == at(2, 7)
    assert STAFFED.next_staffed(at(2, 10)) == at(2, 10, 30)  # the pause
    assert STAFFED.next_staffed(at(2, 14)) == at(3, 6)  # the end belongs to nobody
    assert STAFFED.next_staffed(at(6, 20)) == at(9, 6)  # Friday night to Monday


def test_attended_work_pauses_and_ends_at_once() -> None:
    assert STAFFED.attended(at(2, 9), 60) == (at(2, 9), at(2, 10))  # ends as the pause begins
    assert STAFFED.attended(at(2, 9), 61) == (at(2, 9), at(2, 10, 31))
    assert STAFFED.attended(at(2, 13), 60) == (at(2, 13), at(2, 14))
    assert STAFFED.attended(at(2, 13), 90) == (at(2, 13), at(3, 6, 30))
    assert STAFFED.attended(at(6, 23), 30) == (at(9, 6), at(9, 6, 30))
    assert STAFFED.attended(at(2, 6), 5 * 450) == (at(2, 6), at(6, 14))
    assert STAFFED.attended(at(2, 6), 5 * 450 + 1) == (at(2, 6), at(9, 6, 1))


def test_no_work_starts_and_ends_where_it_is_even_at_night() -> None:
    assert STAFFED.attended(at(2, 3), 0) == (at(2, 3), at(2, 3))
    assert STAFFED.unattended(at(2, 3), 0) == (at(2, 3), at(2, 3))
    with pytest.raises(ValueError, match="-5"):
        STAFFED.attended(at(2, 3), -5)
    with pytest.raises(ValueError, match="-5"):
        STAFFED.unattended(at(2, 3), -5)


def test_unattended_work_runs_through_the_night() -> None:
    assert STAFFED.unattended(at(6, 13, 59), 600) == (at(6, 13, 59), at(6, 23, 59))
    assert STAFFED.unattended(at(6, 14), 600) == (at(9, 6), at(9, 16))


def test_a_shift_does_not_take_place_on_a_holiday_or_a_closure() -> None:
    assert STAFFED.next_staffed(at(2, 15, month=4)) == at(7, 6, month=4)  # Good Friday to Easter Monday
    shut = StaffedTime(replace(NORTH, closures=(date(2026, 3, 3),)))
    assert shut.next_staffed(at(2, 15)) == at(4, 6)


def test_a_night_shift_belongs_to_the_day_it_starts_on() -> None:
    # Friday 22:00 to Saturday 06:00, pause at 02:00 on the Saturday; Good Friday's does not take place.
    nights = StaffedTime(replace(NORTH, shifts=(Shift((4,), time(22), time(6), (Pause(time(2), time(2, 30)),)),)))
    assert nights.attended(at(6, 12), 5 * 60) == (at(6, 22), at(7, 3, 30))
    assert nights.next_staffed(at(7, 2, 10)) == at(7, 2, 30)
    assert nights.next_staffed(at(28, 7)) == at(10, 22, month=4)


def test_a_pause_that_begins_before_the_shift_shortens_it() -> None:
    late_start = replace(NORTH, shifts=(Shift((0,), time(6), time(14), (Pause(time(5, 30), time(6, 30)),)),))
    assert StaffedTime(late_start).next_staffed(at(2, 0)) == at(2, 6, 30)


def test_a_table_that_grew_day_by_day_is_the_one_worked_out_at_once() -> None:
    pauses = (Pause(time(1), time(1, 45)), Pause(time(23, 30), time(0, 15)))
    site = replace(NORTH, shifts=(Shift((0, 1, 2, 3, 4, 5, 6), time(20), time(4), pauses),))
    grown = StaffedTime(site)
    start, end = at(2, 0), at(2, 0) + 300 * 1440
    for t in range(start, end, 1440):
        grown.next_staffed(t)
    assert grown.intervals(start, end) == StaffedTime(site).intervals(start, end)
    # Every open night has 3:30 + 0:45 + 2:15; one is an hour short and one an hour long, which evens out.
    open_nights = [d for d in (date(2026, 3, 2) + timedelta(days=k) for k in range(300)) if grown.business.is_open(d)]
    assert grown.staffed_minutes(at(2, 12), end) == 390 * len(open_nights)


def test_a_pause_inside_another_adds_nothing() -> None:
    nested = (Pause(time(9), time(12)), Pause(time(10), time(11)))
    staffed = StaffedTime(replace(NORTH, shifts=(Shift((0,), time(6), time(14), nested),)))
    assert staffed.intervals(at(2, 0), at(3, 0)) == [(at(2, 6), at(2, 9)), (at(2, 12), at(2, 14))]


def test_shifts_are_united_after_each_lost_its_own_pauses() -> None:
    both = StaffedTime(replace(NORTH, shifts=(*NORTH.shifts, Shift((0,), time(9), time(12)))))
    assert both.attended(at(2, 6), 450) == (at(2, 6), at(2, 13, 30))  # the pause is covered on Mondays
    assert both.attended(at(3, 6), 450) == (at(3, 6), at(3, 14))


def test_a_shift_inside_another_adds_nothing() -> None:
    inside = StaffedTime(replace(NORTH, shifts=(Shift((0,), time(6), time(14)), Shift((0,), time(7), time(8)))))
    assert inside.intervals(at(2, 0), at(3, 0)) == [(at(2, 6), at(2, 14))]


def test_the_small_hours_belong_to_the_night_before() -> None:
    site = replace(NORTH, shifts=(Shift((0, 1, 2, 3, 4, 5, 6), time(20), time(4)),))
    assert StaffedTime(site).next_staffed(at(3, 1)) == at(3, 1)
    asked_later_first = StaffedTime(site)
    assert asked_later_first.next_staffed(at(10, 12)) == at(10, 20)
    for day in (9, 8, 7, 6):
        assert asked_later_first.next_staffed(at(day, 1)) == at(day, 1)


def test_the_next_days_shift_covers_a_pause_after_midnight_wherever_the_table_ends() -> None:
    week = (0, 1, 2, 3, 4, 5, 6)
    site = replace(
        NORTH, shifts=(Shift(week, time(20), time(4), (Pause(time(1), time(2)),)), Shift(week, time(0, 30), time(3)))
    )
    staffed, tried = StaffedTime(site), 0
    for k in range(140):
        day = date(2026, 3, 2) + timedelta(days=k)
        if staffed.business.is_open(day) and staffed.business.is_open(day + timedelta(days=1)):
            evening = staffed.at_local(day, time(20))
            assert staffed.attended(evening, 330) == (evening, evening + 330)
            tried += 1
    assert tried > 120


def test_around_the_clock_is_one_interval() -> None:
    always = StaffedTime(replace(NORTH, shifts=(Shift(tuple(range(7)), time(0), time(0)),), holiday_subdivision=None))
    assert always.intervals(at(9, 0), at(20, 0)) == [(at(9, 0), at(20, 0))]
    assert always.attended(at(9, 3), 60 * 24 * 5) == (at(9, 3), at(14, 3))


def test_intervals_are_clipped_and_cover_past_and_future() -> None:
    assert STAFFED.intervals(at(2, 7), at(2, 11)) == [(at(2, 7), at(2, 10)), (at(2, 10, 30), at(2, 11))]
    assert STAFFED.intervals(at(2, 11), at(2, 11)) == []
    far = StaffedTime(NORTH)
    later = far.intervals(at(1, 0, month=9), at(2, 0, month=9))
    earlier = far.intervals(at(1, 0, month=1), at(6, 0, month=1))
    assert far.intervals(at(1, 0, month=9), at(2, 0, month=9)) == later != []
    assert [STAFFED.local(a) for a, _ in earlier] == [
        (date(2026, 1, d), m) for d in (2, 5) for m in (360, 630)
    ]  # New Year's Day, then a Friday, a weekend, a Monday


def test_local_time_and_back() -> None:
    moment = to_minute(datetime(2026, 7, 1, 22, 30, tzinfo=UTC))
    assert STAFFED.local(moment) == (date(2026, 7, 2), 30)
    assert STAFFED.at_local(date(2026, 7, 2), time(0, 30)) == moment


@pytest.mark.parametrize(
    ("hour", "minute", "weekdays", "expected"),
    [
        (12, 0, None, date(2026, 3, 2)),  # at the cut-off itself: still today
        (12, 1, None, date(2026, 3, 3)),
        (12, 0, (0,), date(2026, 3, 2)),
        (12, 1, (0,), date(2026, 3, 9)),
        (8, 0, (1, 3), date(2026, 3, 3)),
        (8, 0, (5,), None),  # a Saturday is never a business day
        (8, 0, (), None),
    ],
)
def test_collection(hour: int, minute: int, weekdays: tuple[int, ...] | None, expected: date | None) -> None:
    if expected is None:
        with pytest.raises(PlatewrightError, match="collection"):
            STAFFED.collected(at(2, hour, minute), time(12), weekdays)
    else:
        assert STAFFED.collected(at(2, hour, minute), time(12), weekdays) == expected


def test_collection_leaves_out_closures() -> None:
    shut = StaffedTime(replace(NORTH, closures=(date(2026, 3, 3),)))
    assert shut.collected(at(2, 13), time(12)) == date(2026, 3, 4)


def test_a_site_where_nobody_ever_is_ends_in_an_error() -> None:
    empty = StaffedTime(replace(NORTH, shifts=()))
    for ask in (lambda: empty.next_staffed(at(2, 0)), lambda: empty.attended(at(2, 0), 5)):
        with pytest.raises(PlatewrightError, match=r"north.*400 days"):
            ask()


def test_work_that_outlives_the_last_shift_ends_in_an_error() -> None:
    shut = tuple(date(2026, 3, 4) + timedelta(days=i) for i in range(500))
    two_days = StaffedTime(replace(NORTH, closures=shut))
    assert two_days.attended(at(2, 6), 900) == (at(2, 6), at(3, 14))
    with pytest.raises(PlatewrightError, match="400 days"):
        two_days.attended(at(2, 6), 901)


def test_absurdly_long_work_ends_in_an_error() -> None:
    with pytest.raises(PlatewrightError, match="twenty years"):
        StaffedTime(NORTH).attended(at(2, 6), 10**9)


def test_unknown_zone_is_refused() -> None:
    with pytest.raises(PlatewrightError, match="Mars/Olympus"):
        StaffedTime(replace(NORTH, time_zone="Mars/Olympus"))


def test_whole_minutes_round_up_but_not_on_noise() -> None:
    assert [whole_minutes(x) for x in (0.0, 1.0, 1.0 + 1e-10, 1.001, 0.1 + 0.2 + 0.7)] == [0, 1, 1, 2, 1]
