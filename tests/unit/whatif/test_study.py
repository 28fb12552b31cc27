"""Studies: the same chance for all scenarios, paired by replication, as far as they came."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from sweep_tasks import shop_day, uneven

from router.whatif.statistics import Verdict
from router.whatif.study import RESULTS_FILE, Study, run_study
from router.whatif.sweep import Entry, Quiet, SweepEnd


def _study(replications: int, **more: tuple[float, float]) -> Study:
    return Study({"today": (1.0, 0.0), "cheaper": (1.0, -2.0), **more}, "today", shop_day, replications, seed=5)


def test_differences_are_taken_on_the_same_orders(tmp_path: Path) -> None:
    found = run_study(_study(12, dearer=(1.1, 0.0)), tmp_path, "here")
    assert [f.scenario for f in found.findings] == ["today", "cheaper", "dearer"]
    today, cheaper, dearer = found.findings
    assert today.differences == {}
    # The demand is the same whatever the scenario; a fixed saving shows to the last digit in every replication.
    assert cheaper.differences["demand"].interval.mean == 0.0
    assert cheaper.differences["cost"].interval.mean == pytest.approx(-2.0)
    # A tenth of the demand: dearer beyond doubt, though the cost itself swings by a fifth.
    assert dearer.differences["cost"].verdict is Verdict.HIGHER
    assert dearer.differences["cost"].interval.mean == pytest.approx(0.1 * today.means["demand"].mean)
    assert today.means["cost"].half_width is not None
    assert today.means["cost"].half_width > 5


def test_further_replications_only_are_done(tmp_path: Path) -> None:
    first = run_study(_study(3), tmp_path, "here")
    more = run_study(_study(5), tmp_path, "here")
    assert (first.sweep.done_now, more.sweep.done_now) == (6, 4)
    assert more.findings[0].replications == 5
    # Another seed is another study, even in the same folder.
    other = Study(_study(3).scenarios, "today", shop_day, 3, seed=6)
    assert run_study(other, tmp_path, "here").sweep.done_now == 6


def test_intervals_of_several_scenarios_are_wider(tmp_path: Path) -> None:
    two = run_study(_study(10, dearer=(1.1, 0.0)), tmp_path / "a", "here").findings[2]
    four = run_study(_study(10, dearer=(1.1, 0.0), x=(2.0, 0.0), y=(3.0, 0.0)), tmp_path / "b", "here").findings[2]
    a, b = two.differences["cost"].interval, four.differences["cost"].interval
    assert a.mean == b.mean
    assert a.half_width is not None
    assert b.half_width is not None
    assert b.half_width > a.half_width


def test_a_replication_that_fails_is_left_out_of_the_pairs(tmp_path: Path) -> None:
    found = run_study(_study(12, fragile=(-1.0, 0.0)), tmp_path, "here")
    failed = len(found.sweep.failed)
    assert 0 < failed < 12
    fragile = next(f for f in found.findings if f.scenario == "fragile")
    assert fragile.replications == 12 - failed
    # Were pairs mixed up, the equal scenario would differ.
    assert fragile.differences["cost"].verdict is Verdict.SAME
    assert next(f for f in found.findings if f.scenario == "cheaper").replications == 12


def test_a_study_broken_off_compares_what_there_is(tmp_path: Path) -> None:
    cancel = threading.Event()

    class Stopper(Quiet):
        def kept(self, entry: Entry, done: int, total: int) -> None:
            if done == 5:
                cancel.set()

    found = run_study(_study(8), tmp_path, "here", listener=Stopper(), cancel=cancel)
    assert found.sweep.end is SweepEnd.CANCELLED
    assert [f.used for f in found.findings] == [(0, 1), (0, 1)]
    # The base's third replication has nothing to stand beside: it is in no mean.
    whole = run_study(_study(2), tmp_path / "two", "here").findings
    assert found.findings[0].means == whole[0].means
    assert len((tmp_path / RESULTS_FILE).read_text().splitlines()) == 5


def test_on_processes_the_same(tmp_path: Path) -> None:
    here = run_study(_study(4), tmp_path / "a", "here").findings
    there = run_study(_study(4), tmp_path / "b", "processes:2").findings
    assert here == there


def test_senseless_studies_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="none of the scenarios"):
        Study({"a": 1}, "b", shop_day, 3)
    with pytest.raises(ValueError, match="a replication"):
        Study({"a": 1}, "a", shop_day, 0)
    with pytest.raises(ValueError, match="disagree about the figures"):
        run_study(Study({"a": "a", "b": "b"}, "a", uneven, 2), tmp_path, "here")
