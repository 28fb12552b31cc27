"""Plans and results on disk: exact JSON, faults of damaged files, tables, the folder that appears whole or not."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from sample_result import BUILD, PLAN, RESULT
from small_folder import SMALL

from router.domain.network import Network
from router.formats import (
    all_tables,
    plan_from_json,
    plan_to_json,
    read_network,
    read_plan,
    read_result,
    result_to_json,
    write_result,
)
from router.formats.result_folder import refuse_others
from router.kernel.faults import FaultyInput

MARKED = '{"format": "platewright result 1"}'


@pytest.fixture(scope="module")
def network() -> Network:
    return read_network((SMALL / "network.yaml").read_bytes())


def test_plan_and_result_return_equal() -> None:
    assert plan_from_json(plan_to_json(PLAN)) == PLAN
    assert json.loads(plan_to_json(PLAN))["format"] == "platewright plan 1"


def test_a_plan_of_before_builds_had_lasting_ids_still_opens() -> None:
    data = json.loads(plan_to_json(PLAN))
    for build in data["plan"]["builds"]:
        del build["lasting_id"]
    assert plan_from_json(json.dumps(data)) == PLAN and not PLAN.builds[0].lasting_id
    kept = replace(PLAN, builds=tuple(replace(b, lasting_id=f"run-{b.build_id}") for b in PLAN.builds))
    assert plan_from_json(plan_to_json(kept)) == kept


def _broken(change: Any) -> list[tuple[str, str, str, str]]:
    data = json.loads(plan_to_json(PLAN))
    change(data)
    with pytest.raises(FaultyInput) as caught:
        plan_from_json(json.dumps(data))
    return [(f.where, f.field, f.found, f.expected) for f in caught.value.faults]


def test_all_faults_of_a_plan_file_at_once() -> None:
    def change(data: Any) -> None:
        del data["plan"]["seed"]
        data["plan"]["builds"][0]["layers"] = "many"
        data["plan"]["shipments"][0]["dispatch_date"] = "2027-02-30"
        data["plan"]["builds"][0]["pieces"][1]["x_mm"] = None

    faults = _broken(change)
    assert sorted(f[:3] for f in faults) == [
        ("plan", "seed", "nothing"),
        ("plan builds[0]", "layers", "'many'"),
        ("plan builds[0] pieces[1]", "x_mm", "nothing"),
        ("plan shipments[0]", "dispatch_date", "'2027-02-30'"),
    ]
    assert "integer" in next(f[3] for f in faults if f[1] == "layers")


def test_unknown_field_and_time_without_zone() -> None:
    def change(data: Any) -> None:
        data["plan"]["builds"][0]["colour"] = "grey"
        data["plan"]["now"] = "2027-03-01T11:00:00"

    faults = {(where, field): (found, expected) for where, field, found, expected in _broken(change)}
    assert faults["plan builds[0]", "colour"][0] == "a field that is not known"
    assert faults["plan", "now"] == ("'2027-03-01T11:00:00'", "a time with its offset")
    assert len(faults) == 2


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ('{"format": "platewright result 1", "plan": {}}', "'platewright result 1'"),
        ("[]", "a list of 0"),
        ('{"format": ', "does not parse"),
        ('{"format": "platewright plan 1", "plan": 3}', "'3'"),
        ('{"format": "platewright plan 1", "format": "platewright plan 1", "plan": {}}', "a key given twice"),
        ('{"format": "platewright plan 1", "plan": {"seed": NaN}}', "the number NaN"),
        ("[" * 100_000, "recursion"),
    ],
)
def test_files_that_are_no_plan(text: str, found: str) -> None:
    with pytest.raises(FaultyInput) as caught:
        plan_from_json(text)
    assert found in caught.value.faults[0].found
    assert caught.value.faults[0].file == "plan.json"


def test_numbers_that_are_not_finite_are_not_written() -> None:
    with pytest.raises(ValueError, match=r"plan builds\[0\] exposure_s: nan"):
        plan_to_json(replace(PLAN, builds=(replace(BUILD, exposure_s=float("nan")),)))
    with pytest.raises(ValueError, match="a time needs a zone"):
        plan_to_json(replace(PLAN, now=datetime(2027, 3, 1)))  # noqa: DTZ001 (that is the point)


def _rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_schedule_in_utc_and_site_time(network: Network) -> None:
    rows = _rows(all_tables(RESULT, network)["schedule.csv"])
    assert [r["activity"] for r in rows] == ["changeover", "load", "run", "unload"]
    run = rows[2]
    assert (run["start_utc"], run["start_site"]) == ("2027-03-02T15:15Z", "2027-03-02T10:15-05:00")
    assert (run["duration_min"], run["site_id"], run["alloy_id"]) == ("1070", "OHIO", "316l")
    assert (run["pieces"], run["coupons"], run["line_ids"]) == ("1", "1", "1002-1")
    # 900.01 + 140.00 + 32.10 + 90.00 + 8.00 + 101.50
    assert run["build_cost_usd"] == "1271.61"
    assert [r["changeover_cost_usd"] for r in rows] == ["1540.00", "", "", ""]


def test_plates_keep_positions_to_the_last_bit(network: Network) -> None:
    piece, coupon = _rows(all_tables(RESULT, network)["plates.csv"])
    assert (piece["kind"], piece["line_id"], piece["x_mm"], piece["y_mm"]) == ("piece", "1002-1", "20.1", "30.25")
    assert (coupon["kind"], coupon["line_id"]) == ("coupon", "")
    assert float(coupon["y_mm"]) == 1 / 3


def test_shipments_options_and_key_figures(network: Network) -> None:
    tables = all_tables(RESULT, network)
    (shipment,) = _rows(tables["shipments.csv"])
    assert (shipment["freight_usd"], shipment["ready_site"]) == ("12.80", "2027-03-04T21:30-05:00")
    ohio, rhine = _rows(tables["options.csv"])
    assert (ohio["possible"], ohio["fair_cost_usd"], ohio["joins_build_id"]) == ("yes", "1500.00", "B1")
    assert (rhine["possible"], rhine["fair_cost_usd"]) == ("no", "")
    figures = {r["figure"]: r for r in _rows(tables["kpis.csv"])}
    assert (figures["landed"]["unit"], figures["landed"]["plan"]) == ("USD", "3050.16")
    assert figures["landed"]["plan_minus_habit"] == "0.00"
    assert figures["bound"]["plan"] == "2000.00"
    assert all(r["unit"] for r in figures.values())


def test_text_that_begins_like_a_formula_is_disarmed(network: Network) -> None:
    _, rhine = _rows(all_tables(RESULT, network)["options.csv"])
    assert rhine["reasons"] == "'=1+1 holds no ITAR; no carrier"


def _files(network: Network) -> dict[str, str | bytes]:
    tables: dict[str, str | bytes] = dict(all_tables(RESULT, network).items())
    return {
        "plan.json": plan_to_json(PLAN),
        "result.json": result_to_json(RESULT),
        **tables,
        "papers/a.bin": b"\x00\xff",
    }


def test_result_folder_holds_everything(tmp_path: Path, network: Network) -> None:
    folder = tmp_path / "out" / "run"
    write_result(folder, _files(network))
    assert sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()) == sorted(_files(network))
    assert read_plan(folder) == read_plan(folder / "plan.json") == PLAN
    assert read_result(folder) == RESULT
    assert [p.name for p in folder.parent.iterdir()] == ["run"], "nothing temporary is left"


def test_earlier_result_is_replaced_as_a_whole(tmp_path: Path, network: Network) -> None:
    folder = tmp_path / "run"
    write_result(folder, {**_files(network), "report.html": "of the first run"})
    write_result(folder, _files(network))
    assert not (folder / "report.html").exists()
    assert [p.name for p in tmp_path.iterdir()] == ["run"]


def test_foreign_folder_and_file_are_left_alone(tmp_path: Path, network: Network) -> None:
    (tmp_path / "thesis.txt").write_text("mine", encoding="utf-8")
    for target in (tmp_path, tmp_path / "thesis.txt"):
        with pytest.raises(FaultyInput, match="expected a new name, an empty folder"):
            write_result(target, _files(network))
    assert (tmp_path / "thesis.txt").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize("name", ["../escape.txt", "/etc/escape", ""])
def test_names_that_lead_out_of_the_folder(name: str, tmp_path: Path, network: Network) -> None:
    with pytest.raises(ValueError, match="no name inside"):
        write_result(tmp_path / "run", {**_files(network), name: "x"})
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_left_when_the_disk_refuses(
    tmp_path: Path, network: Network, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "run"
    write_result(folder, {**_files(network), "plates.csv": "of the first run"})
    whole = Path.write_bytes

    def full(path: Path, content: bytes) -> int:
        if path.name == "kpis.csv":
            raise OSError(28, "No space left on device")
        return whole(path, content)

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OSError, match="No space left"):
        write_result(folder, _files(network))
    assert (folder / "plates.csv").read_text(encoding="utf-8") == "of the first run"
    assert [p.name for p in tmp_path.iterdir()] == ["run"]


def test_old_result_comes_back_when_the_move_fails(
    tmp_path: Path, network: Network, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "run"
    write_result(folder, {**_files(network), "plates.csv": "of the first run"})
    whole = Path.replace

    def stuck(path: Path, target: Path) -> Path:
        if path.suffix == ".part":
            raise PermissionError(13, "Permission denied")
        return whole(path, target)

    monkeypatch.setattr(Path, "replace", stuck)
    with pytest.raises(PermissionError):
        write_result(folder, _files(network))
    assert (folder / "plates.csv").exists()
    assert [p.name for p in tmp_path.iterdir()] == ["run"]


def test_missing_result(tmp_path: Path) -> None:
    with pytest.raises(FaultyInput, match="no readable file"):
        read_result(tmp_path)


def test_a_result_with_other_things_beside_it_is_refused_and_left_alone(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    write_result(folder, {"result.json": MARKED})
    (folder / "notes.txt").write_text("mine")
    with pytest.raises(FaultyInput, match=r"other things beside it: notes\.txt"):
        write_result(folder, {"result.json": MARKED})
    assert (folder / "notes.txt").read_text() == "mine"


@pytest.mark.parametrize("content", ["{}", '{"format": "my result"}', "", '[{"format": "platewright result 1"}]'])
def test_somebody_elses_result_is_refused_and_left_alone(content: str, tmp_path: Path) -> None:
    folder = tmp_path / "run"
    folder.mkdir()
    (folder / "result.json").write_text(content)
    with pytest.raises(FaultyInput, match=r"a folder whose result\.json platewright has not written"):
        write_result(folder, {"result.json": MARKED})
    assert (folder / "result.json").read_text() == content
    (folder / "result.json").write_text(MARKED)
    write_result(folder, {"result.json": MARKED, "plan.json": "{}"})
    assert (folder / "plan.json").exists()


def test_a_folder_of_things_kept_as_they_come_holds_nothing_else(tmp_path: Path) -> None:
    folder, mine = tmp_path / "kept", {"lives.jsonl"}.__contains__
    refuse_others(folder, mine, "an earlier trial")
    folder.mkdir()
    (folder / "lives.jsonl").touch()
    refuse_others(folder, mine, "an earlier trial")
    (folder / "thesis.txt").touch()
    with pytest.raises(FaultyInput, match=r"thesis\.txt in it; expected a new folder, or one of an earlier trial"):
        refuse_others(folder, mine, "an earlier trial")
    with pytest.raises(FaultyInput, match="found a file"):
        refuse_others(folder / "thesis.txt", mine, "an earlier trial")
    with pytest.raises(FaultyInput, match="no folder to write in"):
        refuse_others(folder / "thesis.txt" / "below", mine, "an earlier trial")
