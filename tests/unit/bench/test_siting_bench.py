"""The location benchmark: every form of file or a part of it, a record that is taken up again, contradictions told."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.bench.siting import main

_SERVE = {
    "fixed_cost": [8, 6],
    "capacity": [6, 5],
    "demand": [3, 2, 4],
    "cost_to_serve_all_demand": [[3, 6], [2, 1], [5, 5]],
}
_SPLIT = {"name": "split", **_SERVE, "uncapacitated_value": 18, "value": 23.0, "status": "optimal"}
_LARGE = {**{k: v for k, v in _SERVE.items() if k != "capacity"}, "name": "large"}
_LARGE["values_by_capacity"] = [{"capacity_each_site": 5, "value": 22.5, "status": "best_known"}]
_NETWORK = {
    "name": "net",
    "nodes": 3,
    "p": 1,
    "edges": [[1, 2, 9], [2, 3, 2], [2, 1, 4]],
    "value": 6,
    "status": "optimal",
}
_PLANE = {"name": "plane", "p": 2, "capacity_each_median": 3, "x": [0, 3, 9], "y": [0, 4, 0], "demand": [1, 1, 2]}


def _write(path: Path, data: Any) -> str:
    path.write_text(json.dumps(data))
    return str(path)


def test_all_forms_and_a_record_taken_up_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = [
        _write(tmp_path / "a.json", {"problem": "Capacitated facility location", "instances": [_SPLIT]}),
        _write(tmp_path / "b.json", [_NETWORK, _PLANE]),
        _write(tmp_path / "c.json", _LARGE),
    ]
    out = tmp_path / "out.json"
    assert main([*files, "--json", str(out), "--limit", "1", "--seconds", "20"]) == 0
    entries = {e["name"]: e for e in json.loads(out.read_text())}
    assert set(entries) == {"split", "net", "large/5"}
    # Split: both sites open (14); 2 units of customer 1 at site 1 (1), 3 of customer 0 at site 0 (3), 4 units at 5: 23.
    assert entries["split"]["value"] == 23 and entries["split"]["status"] == "optimal"
    # The later of two lengths of an edge counts: 4 + 2 from the middle.
    assert entries["net"]["value"] == entries["net"]["bound"] == 6
    assert set(entries["split"]["baselines"]) == {"add rule", "plain programme"}
    capsys.readouterr()
    assert main([*files, "--json", str(out), "--seconds", "20"]) == 0
    said = capsys.readouterr().out
    assert "plane: " in said and "split: " not in said
    assert {e["name"] for e in json.loads(out.read_text())} == {"split", "net", "plane", "large/5"}


def test_a_value_below_a_published_optimum_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wrong = _write(tmp_path / "w.json", [{**_NETWORK, "value": 7}])
    assert main([wrong]) == 1
    assert "below a published optimum" in capsys.readouterr().out


def test_other_files_are_refused(tmp_path: Path) -> None:
    assert main([_write(tmp_path / "x.json", [{"name": "jobs", "machines": 3}])]) == 2
    assert main([str(tmp_path / "missing.json")]) == 2
