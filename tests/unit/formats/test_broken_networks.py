"""Hand-broken network files: every fault names file, place, field, what was found and what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest
from broken_cases import NETWORK_CASES
from small_folder import Broken, assert_told


@pytest.mark.parametrize("case", NETWORK_CASES, ids=lambda c: c.name)
def test_hand_broken_network(case: Broken, tmp_path: Path, measured: Path) -> None:
    assert_told(case, tmp_path, measured)
