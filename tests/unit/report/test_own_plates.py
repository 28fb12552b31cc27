"""How full a plate gets, in words: no change is told that nobody sees."""

from __future__ import annotations

import pytest

from router.report.own_plates import fill_change
from router.report.wording import NBSP, NONE


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        (0.4, 0.62, "40 % to 62 %"),
        (0.62, 0.62, "62 %"),
        (0.619, 0.622, "62 %"),
        (None, 0.62, "62 %"),
        (0.0, 0.3, "0 % to 30 %"),
        (0.4, None, NONE),
    ],
)
def test_from_what_to_what(before: float | None, after: float | None, said: str) -> None:
    assert fill_change(before, after).replace(NBSP, " ") == said
