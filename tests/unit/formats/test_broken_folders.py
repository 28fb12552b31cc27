"""Every fault of a scenario folder is told: file, place, field, what was found, what would be right; all at once."""

from __future__ import annotations

from pathlib import Path

import pytest
import trimesh
from broken_cases import NETWORK_CASES, ORDER_CASES
from small_folder import SMALL, copy_small

from router.formats import check_scenario, read_scenario
from router.kernel.faults import FaultyInput


def test_faults_of_network_orders_and_models_come_together(tmp_path: Path, measured: Path) -> None:
    folder = copy_small(tmp_path)
    wanted = {"alloy of a machine misspelt", "unknown time zone", "quantity zero", "unknown alloy", "line named twice"}
    cases = [c for c in (*NETWORK_CASES, *ORDER_CASES) if c.name in wanted]
    assert len(cases) == len(wanted)
    for case in cases:
        case.apply(folder)
    (folder / "models" / "ring.stl").write_bytes(b"no mesh at all")
    with pytest.raises(FaultyInput) as caught:
        read_scenario(folder, measured)
    faults = caught.value.faults
    for said in (said for case in cases for said in case.says):
        assert any(said.by(f) for f in faults), f"{said} is not among:\n{caught.value}"
    assert [f.file for f in faults if f.file.startswith("models/")] == ["models/ring.stl"]
    assert len(faults) == len(wanted) + 1


def test_two_faults_in_one_row_are_both_told(tmp_path: Path, measured: Path) -> None:
    folder = copy_small(tmp_path)
    text = (folder / "orders.csv").read_text(encoding="utf-8")
    (folder / "orders.csv").write_text(text.replace("cap.stl,mm,316l,,12,", "cap.stl,mm,316i,,0,"), encoding="utf-8")
    told = {(f.where, f.field) for f in check_scenario(folder, measured)}
    assert told == {("row 4", "alloy"), ("row 4", "quantity")}


def test_sound_folder_has_no_faults(measured: Path) -> None:
    assert check_scenario(SMALL, measured) == ()


@pytest.mark.parametrize(
    ("gone", "file", "found"),
    [
        ("network.yaml", "network.yaml", "no readable file"),
        ("orders.csv", "orders.csv or orders.xlsx", "no file"),
    ],
)
def test_missing_file(gone: str, file: str, found: str, tmp_path: Path, measured: Path) -> None:
    folder = copy_small(tmp_path)
    (folder / gone).unlink()
    (fault,) = check_scenario(folder, measured)
    assert fault.file == file
    assert found in fault.found


def test_both_order_books(tmp_path: Path, measured: Path) -> None:
    folder = copy_small(tmp_path)
    (folder / "orders.xlsx").write_bytes(b"")
    (fault,) = check_scenario(folder, measured)
    assert (fault.found, fault.expected) == ("both files", "exactly one of the two")


def test_no_folder(tmp_path: Path) -> None:
    (fault,) = check_scenario(tmp_path / "nowhere")
    assert fault.found == "no such folder"


def test_yaml_that_does_not_parse_names_the_line_and_orders_are_still_checked(tmp_path: Path, measured: Path) -> None:
    folder = copy_small(tmp_path)
    text = (folder / "network.yaml").read_text(encoding="utf-8")
    line = text[: text.index("currency: USD")].count("\n") + 1
    (folder / "network.yaml").write_text(text.replace("currency: USD", "currency: [USD"), encoding="utf-8")
    orders = (folder / "orders.csv").read_text(encoding="utf-8")
    (folder / "orders.csv").write_text(orders.replace(",in718,,4,", ",in718,,none,"), encoding="utf-8")
    network, row = check_scenario(folder, measured)
    assert network.file == "network.yaml"
    assert f"line {line + 1}" in network.where
    assert "does not parse" in network.found
    assert (row.file, row.where, row.field) == ("orders.csv", "row 2", "quantity")


def test_local_times_need_a_time_zone(tmp_path: Path, measured: Path) -> None:
    folder = copy_small(tmp_path)
    text = (folder / "network.yaml").read_text(encoding="utf-8")
    start = text.index("time_zone: America/New_York        #")
    (folder / "network.yaml").write_text(text[:start] + text[text.index("\n", start) + 1 :], encoding="utf-8")
    faults = check_scenario(folder, measured)
    fields = {(f.file, f.field) for f in faults}
    assert ("network.yaml", "start") in fields
    assert ("orders.csv", "received") in fields
    assert all("offset" in f.expected for f in faults)
    # Rows 5 and 6 state their offset.
    assert not [f for f in faults if f.where in ("row 5", "row 6")]


def test_model_linked_from_elsewhere_does_not_count(tmp_path: Path, measured: Path) -> None:
    folder = copy_small(tmp_path)
    outside = tmp_path / "cap.stl"
    (folder / "models" / "cap.stl").rename(outside)
    (folder / "models" / "cap.stl").symlink_to(outside)
    (fault,) = check_scenario(folder, measured)
    assert (fault.where, fault.field) == ("row 4", "model")
    assert "which is not there" in fault.found


def test_a_model_too_small_to_be_made_is_a_fault_that_names_it(tmp_path: Path, measured: Path) -> None:
    folder = copy_small(tmp_path)
    trimesh.creation.box((1e-6, 1e-6, 1e-6)).export(folder / "models" / "ring.stl")
    (fault,) = check_scenario(folder, measured)
    assert fault.file == "models/ring.stl" and "1e-06 x 1e-06 x 1e-06 mm" in fault.found
    assert "at least 0.05 mm" in fault.expected and "unit" in fault.expected
