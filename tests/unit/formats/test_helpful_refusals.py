"""Slips that are made every day are told with what to do about them."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_folder import SMALL, copy_small

from router.formats import check_scenario
from router.formats.network_file import inspect_network
from router.formats.order_cells import read_sheet

CSV = (SMALL / "orders.csv").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("raw", "found", "expected"),
    [
        (CSV.encode("utf-16"), "UTF-16", "CSV UTF-8"),
        ((CSV + "é").encode("latin-1", "replace"), "not text in UTF-8", "CSV UTF-8"),
        (CSV.replace(",", "\t").encode(), "separated by tabs", "commas or semicolons"),
    ],
)
def test_a_book_saved_otherwise(raw: bytes, found: str, expected: str) -> None:
    (fault,) = read_sheet(raw, "orders.csv").faults
    assert found in fault.found and expected in fault.expected


@pytest.mark.parametrize("raw", [b"no package", b"PK\x03\x04 half of one"])
def test_a_broken_workbook_is_told_in_plain_words(raw: bytes) -> None:
    (fault,) = read_sheet(raw, "orders.xlsx").faults
    assert "damaged" in fault.found and "BadZipFile" not in fault.sentence()


def test_a_linked_model_is_told_as_a_link(tmp_path: Path, measured: Path) -> None:
    folder = copy_small(tmp_path)
    ring = folder / "models" / "ring.stl"
    ring.rename(tmp_path / "ring.stl")
    ring.symlink_to(tmp_path / "ring.stl")
    faults = check_scenario(folder, measured)
    assert faults and all("a link" in f.found and "links are not followed" in f.expected for f in faults)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("layer_mm: 0.04", "layer_mm: 0.0000001", "layer_mm"),
        ("radius_mm: ", "radius_mm: 90", "keep_outs"),
    ],
)
def test_figures_that_no_machine_has(old: str, new: str, said: str) -> None:
    text = (SMALL / "network.yaml").read_text(encoding="utf-8")
    assert old in text
    faults = inspect_network(text.replace(old, new).encode()).faults
    assert faults and {f.field for f in faults} == {said}
