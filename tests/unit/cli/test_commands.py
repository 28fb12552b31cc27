"""The commands as a user types them, on the small scenario."""

from __future__ import annotations

import csv
import json
import re
import shutil
import sys
from pathlib import Path

import pytest
import trimesh
from typed_command import Typed

from router.cli.main import main

ROOT = Path(__file__).resolve().parents[3]
SMALL = ROOT / "scenarios" / "small"


@pytest.fixture(scope="module", autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Measured models go to a cache of the tests, not to the user's."""
    patch = pytest.MonkeyPatch()
    folder = tmp_path_factory.mktemp("cache")
    patch.setattr("router.cli.commands.cache_dir", lambda: folder)


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory, own_cache: None) -> Path:
    """A result folder of the small scenario."""
    folder = tmp_path_factory.mktemp("run") / "result"
    patch = pytest.MonkeyPatch()
    patch.setattr(sys, "argv", ["platewright", "plan", str(SMALL), "--out", str(folder), "--work", "8"])
    try:
        main()
    except SystemExit as ended:
        assert not ended.code
    finally:
        patch.undo()
    return folder


def test_plan_leaves_a_whole_result_folder(planned: Path) -> None:
    assert {p.name for p in planned.iterdir()} == {
        "kpis.csv",
        "options.csv",
        "plan.json",
        "plates.csv",
        "report.html",
        "result.json",
        "schedule.csv",
        "shipments.csv",
    }
    assert json.loads((planned / "plan.json").read_text())["format"] == "platewright plan 1"
    assert "10 lines" in (planned / "report.html").read_text()


def test_equal_seed_and_work_give_equal_plans(planned: Path, tmp_path: Path, typed: Typed) -> None:
    again = tmp_path / "again"
    code, said = typed("plan", str(SMALL), "--out", str(again), "--work", "8")
    assert code == 0
    assert "found nothing wrong" in said
    assert (again / "plan.json").read_bytes() == (planned / "plan.json").read_bytes()


def test_explain_shows_every_site_and_names_near_misses(planned: Path, typed: Typed) -> None:
    code, said = typed("explain", "1002-1", "--result", str(planned))
    assert code == 0
    assert "OHIO" in said and "RHINE" in said and "(chosen)" in said
    code, said = typed("explain", "1002-11", "--result", str(planned))
    assert code == 2
    assert "did you mean" in said and "1002-1" in said


def test_explain_names_every_plate_and_no_change_that_is_none(tmp_path: Path, typed: Typed) -> None:
    folder, out = tmp_path / "many", tmp_path / "out"
    shutil.copytree(SMALL, folder)
    rows = list(csv.DictReader((folder / "orders.csv").open(newline="")))
    next(row for row in rows if row["line"] == "1002-1")["quantity"] = "60"
    with (folder / "orders.csv").open("w", newline="") as file:
        book = csv.DictWriter(file, rows[0])
        book.writeheader()
        book.writerows(rows)
    assert typed("plan", str(folder), "--out", str(out), "--work", "4")[0] == 0
    plan = json.loads((out / "plan.json").read_text())["plan"]
    plates = [b for b in plan["builds"] if any(p["line_id"] == "1002-1" for p in b["pieces"])]
    assert len(plates) > 1
    for line in ("1002-1", "1001-1"):
        code, said = typed("explain", line, "--result", str(out))
        assert code == 0
        assert not [(a, b) for a, b in re.findall(r"(\d+)\s*% to (\d+)\s*%", said) if a == b]
        if line == "1002-1":
            table, sentence = " ".join(said.split()).split("it stands on plates", 1)
            for build in plates:
                assert build["build_id"] in table and f"{build['build_id']} ({build['fill']:.0%} full)" in sentence


def test_audit_accepts_the_plan_and_objects_to_a_forged_one(planned: Path, tmp_path: Path, typed: Typed) -> None:
    assert typed("audit", str(SMALL), str(planned / "plan.json"))[0] == 0
    forged = json.loads((planned / "plan.json").read_text())
    forged["plan"]["totals"]["freight_cents"] -= 1
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(forged))
    code, said = typed("audit", str(SMALL), str(path))
    assert code == 1
    assert "1 finding" in said


def test_check_says_all_faults_and_leaves_nothing(tmp_path: Path, typed: Typed) -> None:
    assert typed("check", str(SMALL)) == (0, f"{SMALL}: no fault found\n")
    broken = tmp_path / "broken"
    shutil.copytree(SMALL, broken)
    book = (broken / "orders.csv").read_text().splitlines()
    book[1] = book[1].replace(book[1].split(",")[0], book[2].split(",")[0], 1)
    (broken / "orders.csv").write_text("\n".join(book))
    (broken / "network.yaml").write_text((broken / "network.yaml").read_text().replace("family: steel", "family: ''"))
    code, said = typed("check", str(broken))
    assert code == 2
    assert "orders.csv" in said and "network.yaml" in said
    out = tmp_path / "never"
    code, _ = typed("plan", str(broken), "--out", str(out), "--work", "1")
    assert code == 2
    assert not out.exists()


def test_a_folder_in_the_way_is_refused_before_planning(tmp_path: Path, typed: Typed) -> None:
    (tmp_path / "letter.txt").write_text("keep me")
    code, said = typed("plan", str(SMALL), "--out", str(tmp_path), "--work", "1")
    assert code == 2
    assert "found a folder of other things" in said
    assert (tmp_path / "letter.txt").read_text() == "keep me"


def test_an_out_folder_that_cannot_be_made_is_refused_before_planning(tmp_path: Path, typed: Typed) -> None:
    (tmp_path / "file").write_text("not a folder")
    code, said = typed("plan", str(SMALL), "--out", str(tmp_path / "file" / "sub"), "--work", "1")
    assert code == 2
    assert "no folder to write in" in said
    assert "first plan" not in said


@pytest.mark.parametrize("words", [("check", "no-such-folder"), ("audit", "no-such-folder", "no-plan.json")])
def test_missing_folders_are_faults_not_tracebacks(words: tuple[str, ...], typed: Typed) -> None:
    code, said = typed(*words)
    assert code == 2
    assert "Traceback" not in said


def test_check_and_plan_remark_on_a_model_that_is_not_closed(tmp_path: Path, typed: Typed) -> None:
    folder = tmp_path / "small"
    shutil.copytree(SMALL, folder)
    box = trimesh.creation.box((20.0, 20.0, 20.0))
    trimesh.Trimesh(box.vertices, box.faces[:-1], process=False).export(folder / "models" / "ring.stl")
    code, said = typed("check", str(folder))
    assert code == 0 and "remark: models/ring.stl: mesh is not closed" in said
    code, said = typed("plan", str(folder), "--out", str(tmp_path / "out"), "--work", "1")
    assert code == 0 and "remark: models/ring.stl: mesh is not closed" in said


def test_check_remarks_on_what_the_import_of_the_folder_refuses(tmp_path: Path, typed: Typed) -> None:
    folder = tmp_path / "small"
    shutil.copytree(SMALL, folder)
    (folder / "letter.txt").write_text("Dear planner")
    (folder / "old").mkdir()
    (folder / "old" / "orders.csv").write_text("line")
    (folder / ".DS_Store").write_text("left by a system")
    (folder / "models" / "x.step").write_text("ISO-10303-21;")
    (folder / "models" / "broken.stl").write_text("no model")
    code, said = typed("check", str(folder))
    assert code == 0 and "no fault found" in said
    remarks = [x for x in said.splitlines() if x.startswith("remark: ")]
    assert len(remarks) == 3
    assert remarks[0].startswith("remark: models/broken.stl: ") and "no line that can be read orders it" in remarks[0]
    assert remarks[1].startswith("remark: models/x.step: another kind of file than STL or 3MF")
    assert remarks[2].startswith("remark: letter.txt, old/orders.csv: files that do not belong in a scenario folder")


def test_audit_of_another_scenarios_plan_says_that_and_nothing_else(
    planned: Path, tmp_path: Path, typed: Typed
) -> None:
    other = tmp_path / "other"
    shutil.copytree(SMALL, other)
    book = (other / "orders.csv").read_text()
    (other / "orders.csv").write_text(book.replace("Halden Rotor", "Another Customer"))
    code, said = typed("audit", str(other), str(planned / "plan.json"))
    assert code == 2
    assert "scenario_fingerprint: found a plan of the scenario" in said and len(said.splitlines()) <= 2


def test_a_link_as_out_folder_and_a_file_as_scenario_are_called_what_they_are(tmp_path: Path, typed: Typed) -> None:
    (tmp_path / "there").mkdir()
    link, lost, file = tmp_path / "link", tmp_path / "lost", tmp_path / "afile"
    link.symlink_to(tmp_path / "there")
    lost.symlink_to(tmp_path / "nowhere")
    file.write_text("a letter")
    for out, found in ((link, "found a link to a folder; expected the folder itself"), (lost, "found a link; ")):
        code, said = typed("plan", str(SMALL), "--out", str(out), "--work", "1")
        assert code == 2 and found in said
    code, said = typed("plan", str(file), "--out", str(tmp_path / "out"), "--work", "1")
    assert code == 2 and "found a file; expected a scenario folder" in said
