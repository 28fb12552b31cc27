"""Some rounds of what the benchmarks run at length: kill -9 on both databases, hostile inputs."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bench.hostile import attack
from tests.bench.kill_nine import database, rounds


@pytest.mark.parametrize("kind", ["sqlite", "postgres"])
def test_nothing_acknowledged_is_lost_by_kill_nine(kind: str, tmp_path: Path) -> None:
    with database(kind, tmp_path) as url:
        report = rounds(url, tmp_path, 3, 11)
    assert report["wrong"] == []
    assert report["counts"]["hold"] + report["counts"]["event"] > 3
    assert report["counts"]["under way when killed"] > 0


def test_hostile_inputs_get_nowhere(tmp_path: Path) -> None:
    report = attack(tmp_path, 200, 5)
    assert report["wrong"] == []
    assert sum(report["answers"].values()) == 200 and report["answers"]["422"] > 40
