"""Whole numbers as people write them, however long they are."""

from __future__ import annotations

import pytest

from router.bootstrap.settings import Settings
from router.kernel.faults import FaultyInput
from router.kernel.numerals import whole_number


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("0", None), ("1", 1), ("007", 7), ("100", 100), ("101", None), ("0" * 5_000 + "42", 42), ("9" * 5_000, None),
        ("", None), ("-5", None), ("+5", None), ("5.0", None), ("1_0", None), (" 5", None), ("٥", None), ("²", None),
    ],
)  # fmt: skip
def test_digits_within_bounds_are_a_number_and_nothing_else_is(text: str, wanted: int | None) -> None:
    assert whole_number(text, 1, 100) == wanted


def test_nought_is_a_number_where_it_may_be_one() -> None:
    assert whole_number("000", 0, 5) == 0


@pytest.mark.parametrize("name", ["PORT", "PROCESSES"])
def test_a_setting_of_very_many_digits_is_a_fault(name: str) -> None:
    with pytest.raises(FaultyInput, match=name):
        Settings.from_environment({f"PLATEWRIGHT_{name}": "9" * 5_000})
