"""A scenario folder as a benchmark case: figures of plan, habit and audit from one run; generated folders are kept."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

import scenarios
from tests.bench import network_ours, plan_network
from tests.bench.growth import FIGURES, entry_of, seconds_to_gap
from tests.bench.plan_case import Ask
from tests.bench.plan_side import Measured
from tests.bench.plan_totals import entry_of as record_of
from tests.bench.plan_totals import line

SMALL = Path(scenarios.__file__).parent / "small"


def test_small_scenario_is_planned_audited_and_told(tmp_path: Path) -> None:
    (case,) = plan_network.network_cases(str(SMALL), 1)
    assert case.name == "scenario small"
    found = network_ours.ours(SMALL, tmp_path, Ask(60.0, 1, 1, time.monotonic(), work=20), audited=True)
    assert found.value is not None, found.status
    assert found.bound is not None
    assert found.bound <= found.value <= found.beside["habit"].value
    assert found.more["audit_findings"] == 0
    measured = Measured(found, 2.0, 100.0)
    entry = record_of(case, 60.0, {"ours": measured}, {"seed": 1})
    assert entry["baselines"]["habit"]["value"] == found.more["habit_landed_cents"]
    assert "under habit" in line(entry)
    grown = entry_of("small", 3, 60.0, measured)
    assert all(grown[key] >= 0 for key in FIGURES if key != "equal_gap_seconds")
    assert seconds_to_gap(grown, 1.0) == grown["trace"][0][0]


def test_generated_folder_is_made_once_and_counts_its_lines(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(plan_network, "cache_folder", lambda: tmp_path)
    (case,) = plan_network.network_cases("generated:30", 7)
    assert (case.size, case.auto_seconds) == (30, plan_network.FEW_S)
    (folder,) = tmp_path.glob("lines30-periods1-seed7-*")
    book = folder / "orders.csv"
    made = book.stat().st_mtime_ns
    assert (book.parent / "models").is_dir()
    (again,) = plan_network.network_cases("generated:30", 7)
    assert (again.name, book.stat().st_mtime_ns) == (case.name, made)
    with pytest.raises(ValueError, match="generated:LINES"):
        list(plan_network.network_cases("generated:0", 7))
