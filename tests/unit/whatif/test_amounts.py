"""Limits of what a simulation may be asked for: the same wherever one is asked for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from router.service.lives import MOST_REPLICATIONS, life_faults
from router.service.site_check import CheckAsked
from router.whatif.amounts import wrong_amounts
from router.whatif.comparison.compare import Settings
from router.whatif.comparison.hold_rules import HoldRule, HoldSettings

RULES = (HoldRule(0.3, 9.0, 3),)
KINDS: dict[str, Callable[..., Any]] = {
    "compare": Settings,
    "hold": lambda **asked: HoldSettings(RULES, **asked),
    "check": CheckAsked,
}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"months": 0.2}, "months: found 0.2; expected 0.25 to 18"),
        ({"months": float("nan")}, "found nan"),
        ({"replications": 1}, "replications: found 1; expected 2 to 10,000"),
        ({"replications": 10_001}, "found 10001"),
        ({"executor": "moon"}, "processes:N"),
    ],
)
def test_what_is_out_of_bounds_is_refused_everywhere_in_the_same_words(
    kind: str, asked: dict[str, Any], said: str
) -> None:
    with pytest.raises(ValueError, match=said) as wrong:
        KINDS[kind](**asked)
    whole = {"months": 3.0, "replications": 5, "executor": "here", **asked}
    assert wrong_amounts(**whole) == [str(wrong.value)]


@pytest.mark.parametrize("kind", KINDS)
def test_the_ends_are_allowed(kind: str) -> None:
    for asked in ({"months": 0.25, "replications": 2}, {"months": 18, "replications": 10_000}):
        KINDS[kind](**asked, executor="here")


def test_the_service_says_the_same_of_a_field_and_has_room_for_less() -> None:
    months, replications, near, seed = life_faults("comparison", 2, "what-ifs", 0.2, 1, -1, -1.0)
    words = wrong_amounts(0.2, 1, "here", -1.0)
    assert [replace(f, where="").sentence() for f in (months, near)] == [words[0], words[2]]
    assert (replications.found, replications.expected) == ("1", f"2 to {MOST_REPLICATIONS}")
    assert (seed.field, seed.found) == ("seed", "-1")
    # Two months are 61 days, lived for 110.
    assert life_faults("comparison", 2, "what-ifs", 2.0, MOST_REPLICATIONS, 0) == []
    (much,) = life_faults("comparison", 3, "rules", 2.0, MOST_REPLICATIONS, 0)
    assert much.found.startswith("600 lives of 3.6 months, 49 days") and "fewer rules" in much.expected


def test_several_faults_are_said_together() -> None:
    with pytest.raises(ValueError, match=r"months.*replications.*near_km"):
        Settings(months=99, replications=0, near_km=-1)
