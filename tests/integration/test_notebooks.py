"""Every notebook runs from top to bottom in a fresh kernel, and what is kept of it is small."""

from __future__ import annotations

from pathlib import Path

import pytest

pytest.importorskip("nbclient")
pytest.importorskip("ipykernel")

from run_notebooks import notebooks, printed, run  # needs both

SAID = {
    "1_who_builds_an_order.ipynb": ("no plan can cost less than", "Printed at", "joins"),
    "2_filling_plates.ipynb": ("mean fill", "the plate costs", "REQUEST-1 for"),
    "3_adding_a_site.ipynb": ("interval, 4 replications", "net present value: mean", "the lives showed"),
    "4_calibrating.ipynb": ("odd builds         P12", "without P12, P30:", "build_rate_cm3_h"),
}
"""What the reader is to find in each, whatever the figures."""
MOST_BYTES = 40_000


@pytest.mark.parametrize("path", notebooks(), ids=lambda p: p.stem)
def test_a_notebook_runs(path: Path) -> None:
    text = printed(run(path))
    assert all(said in text for said in SAID[path.name]), text


def test_no_notebook_is_left_out() -> None:
    assert {p.name for p in notebooks()} == set(SAID)


@pytest.mark.parametrize("path", notebooks(), ids=lambda p: p.stem)
def test_what_is_kept_is_small(path: Path) -> None:
    assert path.stat().st_size < MOST_BYTES
