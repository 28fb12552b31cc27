"""Passwords are long and not among the first an attacker would try (NIST SP 800-63B-4, section 3.1.1.2)."""

from __future__ import annotations

import pytest

from router.service.passwords import LEAST_CHARACTERS, MOST_CHARACTERS, password_faults

NAMES = ("Jennifer Meyer",)


@pytest.mark.parametrize(
    "password",
    [
        "aaaaaaaaaaaa",
        "aaaaaaaaaaaaaaaa",
        "a" * 200,
        "abcabcabcabcabcabc",
        "123456789012345",
        "qwertyuiopasdfghjkl",
        "passwordpassword",
        "P@ssw0rdP@ssw0rd",
        "administrator123",
        "platewright2026!",
        "Jennifer Meyer 2026",
        "jennifer.meyer.jennifer",
        "wool harbour 9",
        "wool harbour ninety plum " * 9,
    ],
)
def test_expected_short_and_endless_passwords_are_refused(password: str) -> None:
    faults = password_faults(password, "the one before it", NAMES)
    assert faults
    assert all(password not in f.sentence() for f in faults), "a password is never repeated"


@pytest.mark.parametrize(
    "password",
    ["wool harbour ninety plum", "t7Kq-29xv_LmZ04r", "vier grüne Fässer im Hof", "日本語" * 3 + " tracks an owl"],
)
def test_long_unexpected_ones_are_taken_whatever_they_are_made_of(password: str) -> None:
    assert password_faults(password, "the one before it", NAMES) == []


def test_the_limits_are_those_of_the_source() -> None:
    assert LEAST_CHARACTERS == 15 and MOST_CHARACTERS >= 64
    assert password_faults("wool harbour ninety plum", "wool harbour ninety plum", NAMES)
