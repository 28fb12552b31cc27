"""The benchmark command: every file format, sound layouts only, a record that is taken up again, honest totals."""

from __future__ import annotations

import gzip
import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.bench import nesting
from tests.bench.cases import RIGHT_ANGLES, Case, PieceType, read_cases, spread
from tests.bench.layout import Put, better, faults, value_of
from tests.bench.totals import tables

RECT_BINS = {
    "name": "r1", "class": 1, "n": 3, "index": 1, "bin": [10, 10], "items": [[5, 10, 2], [10, 4, 1]],
    "oriented_best_known": 2, "allow_rotation_best_known": 2, "area_lower_bound": 2,
}  # fmt: skip
PERFECT = {
    "name": "p1", "set": "two halves", "n": 2, "bin": [10, 20], "strip_width": 10, "items": [[10, 10, 2]],
    "optimal_strip_height": 20, "item_area": 200, "density_best_known": 1.0, "oriented_best_known_bins": 1,
    "allow_rotation_best_known_bins": 1,
}  # fmt: skip
TRIANGLE = {"qty": 2, "rotations": [0, 180], "polygon": [[0, 0], [10, 0], [0, 10]]}
STRIP = {"name": "s1", "strip_height": 10, "n": 2, "n_types": 1, "item_area": 100, "items": [TRIANGLE]}
STRIP_FREE = {**STRIP, "name": "s1_c", "items": [{**TRIANGLE, "rotations": None}], "best_known": None}
POLY_BINS = {
    "name": "b1", "set": "pairs", "class": "TA", "n": 4, "bin": [10, 10], "area_lower_bound": 2,
    "items": [TRIANGLE, TRIANGLE], "best_known": {"bins": 2, "proven_optimal": True},
}  # fmt: skip
RING = [[[0, 0], [60, 0], [60, 60], [0, 60]], [[10, 10], [10, 50], [50, 50], [50, 10]]]
LONG = [[[0, 0], [95, 0], [95, 8], [0, 8]]]
REAL = {
    "parts": [{"id": i, "height_mm": h} for i, h in enumerate((20, 20, 500))],
    "projections": [RING, [[[0, 0], [20, 0], [20, 20], [0, 20]]], LONG],
    "machines": [{"plate_x_mm": 100, "plate_y_mm": 100, "height_mm": 100}],
    "instances": [{"name": "list1", "machines": [0], "parts": [0, 1, 1, 2]}],
}


def _write(path: Path, *records: Any) -> Path:
    path.write_text("".join(json.dumps(r) + "\n" for r in records))
    return path


def test_every_format_is_told_by_content(tmp_path: Path) -> None:
    cases = read_cases(_write(tmp_path / "all.txt", RECT_BINS, PERFECT, STRIP, STRIP_FREE, POLY_BINS, REAL))
    assert [(c.name, c.goal, c.pieces, c.best_known) for c in cases] == [
        ("r1", "bins", 3, 2),
        ("p1", "bins", 2, 1),
        ("b1", "bins", 4, 2),
        ("list1/machine0", "bins", 3, None),
        ("p1/strip", "density", 2, 1.0),
        ("s1", "density", 2, None),
        ("s1_c", "density", 2, None),
    ]
    angles = [c.types[0].angles for c in cases]
    assert angles == [(0, 90), (0, 90), (0, 180), RIGHT_ANGLES, (0, 90), (0, 180), None]
    real = cases[3]
    assert (real.margin, real.spacing, real.bound) == (5.0, 2.0, 1)
    assert real.note.startswith("1 pieces left out")
    packed = tmp_path / "packed"
    packed.write_bytes(gzip.compress(json.dumps(REAL).encode()))
    assert [c.name for c in read_cases(packed)] == ["list1/machine0"]


def test_a_foreign_file_is_told_with_its_record(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = _write(tmp_path / "odd.jsonl", RECT_BINS, {"name": "x", "items": [[1, 2, 3]]})
    with pytest.raises(ValueError, match=r"odd\.jsonl, record 2"):
        read_cases(path)
    assert nesting.main([str(path)]) == 2
    assert "record 2" in capsys.readouterr().err


def test_limit_is_spread_evenly() -> None:
    cases = [replace(_pair(), name=str(n)) for n in range(10)]
    assert [c.name for c in spread(cases, 3)] == ["1", "5", "8"]
    assert spread(cases, None) == spread(cases, 99) == cases


def _pair(spacing: float = 0.0) -> Case:
    square = PieceType(((0, 0), (4, 0), (4, 4), (0, 4)), (), 2, (0.0,), (4.0, 4.0))
    return Case("pair", "test", "bins", 10.0, 10.0, 0.0, spacing, (square,), None, None)


@pytest.mark.parametrize(
    ("case", "puts", "wrong"),
    [
        (_pair(), [(0, 0, 0, 0), (0, 4, 4, 0)], ""),
        (_pair(), [(0, 0, 0, 0)], "1 pieces placed, 2 asked"),
        (_pair(), [(0, 0, 0, 0), (0, 3.9, 0, 0)], "overlap"),
        (_pair(), [(0, 0, 0, 0), (0, 6.1, 0, 0)], "outside"),
        (_pair(), [(0, 0, 0, 0), (0, 8, 4, 90)], "angle 90 is not allowed"),
        (_pair(1.0), [(0, 0, 0, 0), (0, 4.9, 0, 0)], "apart, 1 asked"),
        (_pair(1.0), [(0, 0, 0, 0), (0, 5, 0, 0)], ""),
        (_pair(1.0), [(0, 0, 0, 0), (1, 0, 0, 0)], ""),
    ],
)
def test_the_check_sees_every_kind_of_fault(
    case: Case, puts: list[tuple[int, float, float, float]], wrong: str
) -> None:
    found = faults(case, [Put(0, number, x, y, angle) for number, x, y, angle in puts])
    assert bool(found) is bool(wrong)
    assert wrong in "; ".join(found)


def test_a_piece_may_stand_in_the_hole_of_another() -> None:
    frame = PieceType(((0, 0), (10, 0), (10, 10), (0, 10)), (((2, 2), (2, 8), (8, 8), (8, 2)),), 1, (0.0,))
    small = PieceType(((0, 0), (3, 0), (3, 3), (0, 3)), (), 1, (0.0,))
    case = Case("nested", "test", "bins", 10.0, 10.0, 0.0, 1.0, (frame, small), None, None)
    assert faults(case, [Put(0, 0, 0, 0, 0), Put(1, 0, 3, 3, 0)]) == []
    assert faults(case, [Put(0, 0, 0, 0, 0), Put(1, 0, 2.5, 3, 0)])


def test_values_of_bins_and_strips() -> None:
    strip = replace(_pair(), goal="density", width=math.inf, height=4.0)
    puts = [Put(0, 0, 0.0, 0.0, 0.0), Put(0, 0, 6.0, 0.0, 0.0)]
    assert value_of(strip, puts) == pytest.approx(0.8)
    assert value_of(_pair(), [Put(0, 0, 0, 0, 0), Put(0, 3, 0, 0, 0)]) == 2.0
    assert better(strip, 0.9, 0.8) and better(_pair(), 1.0, 2.0) and not better(_pair(), 2.0, 2.0)


def test_totals_compare_only_what_both_answered() -> None:
    def entry(name: str, value: int | None, other: int | None) -> dict[str, Any]:
        base = {"other": {"value": other, "seconds": 1.0}}
        return {"name": name, "goal": "bins", "family": "f", "value": value, "best_known": 2, "baselines": base}

    _, total = tables([entry("a", 2, 3), entry("b", 4, None), entry("c", None, 2)])
    wanted = "f 2/3 ours 6 best known 4 (ratio 1.5000 over 2) | other 3 to ours 2 (1/3)"
    assert total.split() == wanted.split()


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, int]:
    """One real run over tiny cases, all engines side by side."""
    folder = tmp_path_factory.mktemp("bench")
    source = _write(folder / "tiny.jsonl", RECT_BINS, PERFECT, REAL)
    out = folder / "record.json"
    code = nesting.main([str(source), "--seconds", "1", "--seed", "3", "--task", "bins", "--json", str(out)])
    return source, out, code


def test_a_run_records_every_engine_side_by_side(run: tuple[Path, Path, int]) -> None:
    _, out, code = run
    entries = {e["name"]: e for e in json.loads(out.read_text())}
    assert code == 0
    assert [entries[n]["value"] for n in ("r1", "p1", "list1/machine0")] == [2, 1, 1]
    assert entries["r1"]["status"] == "optimal"
    assert set(entries["r1"]["baselines"]) == {"rectpack", "cpsat"}
    assert set(entries["list1/machine0"]["baselines"]) == {"spyrrow", "libnest2d", "rectpack"}
    for entry in entries.values():
        assert {"name", "value", "bound", "best_known", "status", "seconds", "peak_mb", "baselines"} <= set(entry)
        for base in entry["baselines"].values():
            assert base["value"] is None or base["value"] >= entry["bound"]
    assert entries["r1"]["baselines"]["rectpack"]["value"] == 2
    assert entries["r1"]["baselines"]["cpsat"]["value"] == 2


def test_a_broken_off_run_goes_on_where_it_was(
    run: tuple[Path, Path, int], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source, out, _ = run
    kept = json.loads(out.read_text())[:2]
    kept[0]["value"] = 77
    half = tmp_path / "half.json"
    half.write_text(json.dumps(kept))
    capsys.readouterr()
    arguments = [str(source), "--seconds", "1", "--task", "bins", "--engines", "ours", "--json", str(half)]
    assert nesting.main(arguments) == 0
    entries = json.loads(half.read_text())
    assert [e["name"] for e in entries] == ["r1", "p1", "list1/machine0"]
    assert entries[0]["value"] == 77, "finished cases are kept as they were"
    assert entries[2]["baselines"] == {}
    printed = capsys.readouterr().out
    assert printed.count("ours       1") == 1, "only the missing case was run"


def test_a_record_that_is_none_is_refused(tmp_path: Path) -> None:
    source = _write(tmp_path / "tiny.jsonl", RECT_BINS)
    other = tmp_path / "other.json"
    other.write_text('{"a": 1}')
    assert nesting.main([str(source), "--json", str(other)]) == 2
    assert other.read_text() == '{"a": 1}'
