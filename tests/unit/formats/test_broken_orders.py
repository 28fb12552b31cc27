"""Hand-broken order books: every fault names file, place, field, what was found and what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest
from broken_cases import ORDER_CASES
from small_folder import Broken, assert_told


@pytest.mark.parametrize("case", ORDER_CASES, ids=lambda c: c.name)
def test_hand_broken_order_book(case: Broken, tmp_path: Path, measured: Path) -> None:
    assert_told(case, tmp_path, measured)
