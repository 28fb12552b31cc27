"""What the sweep benchmark counts as a loss, and how it sets one worker beside two."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from sweep_tasks import square

from router.whatif.sweep import Task, sweep
from tests.bench.sweep import Turn, _ratios, faults_of, main


def test_losses_doubles_and_changes_are_counted(tmp_path: Path) -> None:
    tasks = [Task(f"{x}", square, (x,)) for x in range(5)]
    ledger = tmp_path / "r.jsonl"
    before = sweep(tasks, tmp_path / "before.jsonl", "here")
    found = sweep(tasks, ledger, "here")
    assert faults_of(before, found, ledger) == 0
    lines = ledger.read_text().splitlines(keepends=True)
    ledger.write_text("".join([*lines, lines[2]]))
    assert faults_of(before, found, ledger) == 1
    first = found.entries[0]
    assert first is not None
    lost = replace(found, entries=(None, *found.entries[1:]))
    changed = replace(found, entries=(replace(first, value=99), *found.entries[1:]))
    ledger.write_text("".join(lines))
    assert faults_of(before, lost, ledger) == 1
    assert faults_of(before, changed, ledger) == 1


def test_ratios_by_hand() -> None:
    # Two workers do 3.6 tasks a second where one does 2; at a task 95 % of the time beside all of it, and each task
    # takes a tenth more of the processor.
    clock, processor = _ratios([Turn(1, 2.0, 1.0, 0.50)], [Turn(2, 3.6, 0.95, 0.55)])
    assert clock == pytest.approx(0.9)
    assert processor == pytest.approx(0.95 / 1.1, abs=1e-4)


def test_too_few_tasks_are_refused() -> None:
    assert main(["--workers", "2", "--tasks", "5"]) == 2
