from __future__ import annotations

from datetime import date, timedelta

import pytest

from router.kernel.faults import PlatewrightError
from router.worktime import BusinessDays, business_days


def test_weekends_and_public_holidays_are_no_business_days() -> None:
    days = business_days("DE")
    assert days.is_business(date(2026, 4, 2))
    assert not days.is_business(date(2026, 4, 3))  # Good Friday
    assert not days.is_business(date(2026, 4, 4))  # Saturday
    assert not days.is_business(date(2026, 4, 6))  # Easter Monday


def test_adding_steps_over_easter_and_adding_nothing_stays() -> None:
    days = business_days("DE")
    assert days.add(date(2026, 4, 2), 1) == date(2026, 4, 7)
    assert days.add(date(2026, 4, 2), 3) == date(2026, 4, 9)
    assert days.add(date(2026, 4, 4), 0) == date(2026, 4, 4)  # even on a Saturday
    assert days.add(date(2026, 4, 4), 1) == date(2026, 4, 7)


def test_a_subdivision_has_its_own_holidays() -> None:
    epiphany = date(2026, 1, 6)
    assert business_days("DE").is_business(epiphany)
    assert not business_days("DE", "BY").is_business(epiphany)


def test_closures_count_for_the_site_only() -> None:
    closed = BusinessDays("DE", None, [date(2026, 5, 4)])
    assert not closed.is_business(date(2026, 5, 4))
    assert closed.first_on_or_after(date(2026, 5, 2)) == date(2026, 5, 5)
    assert business_days("DE").is_business(date(2026, 5, 4))


def test_the_same_question_gives_the_same_object() -> None:
    assert business_days("FR") is business_days("FR")


@pytest.mark.parametrize(("country", "subdivision"), [("XX", None), ("Germany", None), ("DE", "QQ")])
def test_an_unknown_calendar_is_refused_with_its_name(country: str, subdivision: str | None) -> None:
    with pytest.raises(PlatewrightError, match=subdivision or country):
        BusinessDays(country, subdivision)


def test_a_calendar_of_closures_only_ends_in_an_error() -> None:
    start = date(2026, 1, 1)
    shut = BusinessDays("DE", None, [start + timedelta(days=i) for i in range(500)])
    with pytest.raises(PlatewrightError, match="400 days"):
        shut.add(start, 1)


def test_counting_backward_is_refused() -> None:
    with pytest.raises(ValueError, match="-1"):
        business_days("DE").add(date(2026, 1, 1), -1)
