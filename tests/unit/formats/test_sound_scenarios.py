"""What a sound folder turns into: values, defaults, exact money, places, the fingerprint."""

from __future__ import annotations

import csv
import io
import shutil
from datetime import UTC, date, datetime, time
from pathlib import Path

import pytest
from openpyxl import Workbook
from small_folder import SMALL, copy_small

from router.domain.network import Scenario
from router.domain.sites import Credential, Step
from router.formats import check_scenario, read_scenario
from router.kernel.faults import Fault


@pytest.fixture(scope="module")
def small(measured: Path) -> Scenario:
    return read_scenario(SMALL, measured)


def test_counts(small: Scenario) -> None:
    network = small.network
    assert (len(small.lines), len(network.sites), len(network.machines)) == (10, 2, 3)
    assert network.invented
    assert sorted(small.parts) == ["bracket.stl", "cap.stl", "clip.3mf", "nozzle.stl", "ring.stl"]
    assert all(part.closed for part in small.parts.values())


def test_money_is_exact_cents(small: Scenario) -> None:
    network = small.network
    assert network.site["OHIO"].labour_cents_per_h == 5800
    assert network.site["OHIO"].energy_cents_per_kwh == 12
    assert network.machine["R01"].gas_cents_per_h == 280
    assert network.carrier["parcel"].zones[0].cents_per_kg == 55
    # 90.00 a tonne is 9 cents a kilogram.
    assert network.carbon_cents_per_kg == 9.0
    assert small.line["1005-1"].late_cents_per_day == 30000
    assert small.line["1002-1"].late_cents_per_day == 12000, "the network's late_per_day"


def test_times_are_utc(small: Scenario) -> None:
    network = small.network
    assert network.now == datetime(2027, 3, 1, 11, 0, tzinfo=UTC)
    assert network.machine["M02"].maintenance[0].start == datetime(2027, 3, 10, 11, 0, tzinfo=UTC)
    assert network.machine["M01"].available_from == network.now
    assert network.machine["R01"].available_from == datetime(2027, 3, 2, 6, 0, tzinfo=UTC)
    line = small.line["1001-1"]
    assert (line.received_at, line.due_date) == (datetime(2027, 2, 24, 14, 10, tzinfo=UTC), date(2027, 3, 19))
    assert small.line["1006-1"].received_at == datetime(2027, 2, 25, 5, 0, tzinfo=UTC), (
        "a bare date is its first minute"
    )
    assert small.line["1002-1"].release_at == small.line["1002-1"].received_at


def test_defaults(small: Scenario) -> None:
    network = small.network
    assert network.machine["M01"].laser_efficiency == 1.0
    assert network.work_centre["OHIO", Step.STRESS_RELIEF].attended is False
    assert network.work_centre["OHIO", Step.PLATE_REMOVAL].attended is True
    assert network.alloy["in718"].default_parameter_set_id == "in718-40"
    assert small.line["1001-1"].parameter_set_id == "in718-40"
    assert small.line["1008-1"].parameter_set_id == "in718-60"
    assert network.customs.area("DE") == "EU"
    assert (network.customs.area("DE"), network.customs.area("US")) == ("EU", "US")
    assert network.site["OHIO"].shifts[0].weekdays == (0, 1, 2, 3, 4)
    assert network.site["OHIO"].shifts[1].end == time(23, 0)
    assert network.site["OHIO"].credentials == (Credential("ITAR"), Credential("AS9100", None, date(2028, 6, 30)))
    assert network.changeovers[0].hours is None


def test_order_fields(small: Scenario) -> None:
    line = small.line["1001-2"]
    assert line.steps == (Step.HIP, Step.HEAT_TREATMENT)
    assert line.accreditations == ("AS9100",)
    assert small.line["1006-1"].approved_sites == ("OHIO", "RHINE")
    assert small.line["1005-1"].export_control == "ITAR"
    assert small.line["1005-1"].as_modelled
    assert small.line["1004-1"].own_plate
    assert small.line["1002-1"].may_split_sites
    assert small.line["1002-1"].ship_to.name == "Detroit", "ZIP 48226"


def test_progress_is_told_for_every_model(measured: Path) -> None:
    told: list[tuple[str, int, int]] = []
    read_scenario(SMALL, measured, lambda name, done, total: told.append((name, done, total)))
    assert [(done, total) for _, done, total in told] == [(k, 5) for k in range(6)]
    assert told[0][0] == "bracket.stl"


def test_fingerprint_follows_the_content_of_used_files(tmp_path: Path, small: Scenario, measured: Path) -> None:
    folder = copy_small(tmp_path)
    assert read_scenario(folder, measured).fingerprint == small.fingerprint
    shutil.copy(folder / "models" / "cap.stl", folder / "models" / "unused.stl")
    (folder / "notes.txt").write_text("not read", encoding="utf-8")
    assert read_scenario(folder, measured).fingerprint == small.fingerprint
    orders = folder / "orders.csv"
    orders.write_text(orders.read_text(encoding="utf-8").replace(",in718,,4,", ",in718,,5,"), encoding="utf-8")
    assert read_scenario(folder, measured).fingerprint != small.fingerprint


def _rows() -> list[list[str]]:
    return list(csv.reader(io.StringIO((SMALL / "orders.csv").read_text(encoding="utf-8"))))


def test_semicolons_byte_order_mark_and_any_column_order(tmp_path: Path, small: Scenario, measured: Path) -> None:
    folder = copy_small(tmp_path)
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=";", lineterminator="\r\n").writerows([row[::-1] for row in _rows()])
    (folder / "orders.csv").write_bytes(b"\xef\xbb\xbf" + out.getvalue().encode())
    assert read_scenario(folder, measured).lines == small.lines


def test_blank_rows_keep_the_count(tmp_path: Path, measured: Path) -> None:
    folder = copy_small(tmp_path)
    text = (folder / "orders.csv").read_text(encoding="utf-8").replace(",in718,,2,", ",in718,,0,")
    heading, rest = text.split("\n", 1)
    (folder / "orders.csv").write_text(f"{heading}\n\n,,,,,,,,,,,,,,,,,,,,,,\n{rest}", encoding="utf-8")
    (fault,) = check_scenario(folder, measured)
    assert (fault.where, fault.field) == ("row 11", "quantity")


def _workbook(folder: Path, rows: list[list[object]]) -> None:
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    for row in rows:
        sheet.append(row)
    book.create_sheet("Notes").append(["only the first sheet counts"])
    (folder / "orders.csv").unlink()
    book.save(folder / "orders.xlsx")


def _typed(heading: list[str], row: list[str]) -> list[object]:
    cells: list[object] = []
    for name, text in zip(heading, row, strict=True):
        if name in ("quantity", "coupons") and text:
            cells.append(int(text))
        elif name == "late_per_day" and text:
            cells.append(float(text))
        elif name == "due":
            cells.append(datetime.fromisoformat(text))
        elif name in ("own_plate", "as_modelled"):
            cells.append(text == "yes")
        elif name == "ship_postcode" and text:
            cells.append(int(text))
        else:
            cells.append(text or None)
    return cells


def test_workbook_reads_like_csv(tmp_path: Path, small: Scenario, measured: Path) -> None:
    folder = copy_small(tmp_path)
    heading, *rows = _rows()
    _workbook(folder, [list(heading), *[_typed(heading, row) for row in rows]])
    assert read_scenario(folder, measured).lines == small.lines


def test_formula_and_error_cells_of_a_workbook(tmp_path: Path, measured: Path) -> None:
    folder = copy_small(tmp_path)
    heading, *rows = _rows()
    typed = [_typed(heading, row) for row in rows]
    typed[0][heading.index("quantity")] = "=2+2"
    typed[1][heading.index("late_per_day")] = "#REF!"
    _workbook(folder, [list(heading), *typed])
    faults = set(check_scenario(folder, measured))
    assert Fault("orders.xlsx", "row 2", "quantity", "a formula", "a value") in faults
    assert Fault("orders.xlsx", "row 3", "late_per_day", "the error #REF!", "a value") in faults
