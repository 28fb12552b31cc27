"""Figures of the build time found again in builds made by them."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from router.costing.calibration import PastBuild, calibrate
from router.formats.build_history import read_build_history
from router.kernel.faults import FaultyInput

TABLE = Path(__file__).resolve().parents[3].parent / "shared" / "data" / "facts" / "build_time_examples.csv"
LAYER_MM = 0.05

# Set-up h, h/cm3, h/cm of machines of the literature: open instance sets AM-Production-Planning-Instances
# (machines 1 and 4) and UAMSP-R (machine 1).
PUBLISHED = [(1.6, 0.0308, 0.85), (1.0, 0.0308, 0.70), (6.0, 0.074074, 1.4)]


def _builds(
    setup_h: float, volume_h: float, height_h: float, n: int, noise_h: float = 0.0, seed: int = 1
) -> list[PastBuild]:
    rng = np.random.default_rng(seed)
    made = []
    for i in range(n):
        height_cm, volume_cm3 = rng.uniform(2, 25), rng.uniform(50, 900)
        layers = round(height_cm * 10 / LAYER_MM)
        hours = setup_h + volume_h * volume_cm3 + height_h * layers * LAYER_MM / 10 + rng.normal(0, noise_h)
        made.append(PastBuild(f"B{i}", "M1", layers, volume_cm3, hours))
    return made


@pytest.mark.parametrize(("setup_h", "volume_h", "height_h"), PUBLISHED)
def test_published_machines_are_found_again(setup_h: float, volume_h: float, height_h: float) -> None:
    found = calibrate(_builds(setup_h, volume_h, height_h, 8))
    assert found.fixed_h == pytest.approx(setup_h)
    assert found.recoat_s == pytest.approx(height_h * LAYER_MM / 10 * 3600)
    assert found.melting_cm3_h == pytest.approx(1 / volume_h)
    assert found.explained == pytest.approx(1.0)
    assert (found.odd_builds, found.warnings) == ((), ())


@pytest.mark.skipif(not TABLE.exists(), reason="the shared fact tables are not here")
def test_published_build_times_are_met() -> None:
    with TABLE.open(newline="") as file:
        rows = [
            r for r in csv.DictReader(file) if not any(float(s) for s in (r["support_volumes_cm3"] or "0").split(";"))
        ]
    assert len(rows) >= 10
    for row in rows:
        found = calibrate(
            _builds(float(row["setup_h"]), float(row["volume_h_per_cm3"]), float(row["height_h_per_cm"]), 6)
        )
        volume = sum(float(v) for v in row["part_volumes_cm3"].split(";"))
        # Whole layers of the highest part; the table's own height is not rounded to them.
        layers = max(float(h) for h in row["part_heights_cm"].split(";")) * 10 / LAYER_MM
        hours = found.run_h(0, volume) + layers * found.recoat_s / 3600
        assert hours == pytest.approx(float(row["build_time_h"]), abs=2e-6), row["case"]


def test_standard_errors_cover_the_truth() -> None:
    """Of 400 histories of 30 noisy builds, about 95 % hold each figure within t(27) = 2.052 standard errors."""
    truth = np.array([2.0, 0.7 * LAYER_MM / 10 * 3600])
    held = np.zeros(2)
    for seed in range(400):
        found = calibrate(_builds(2.0, 0.03, 0.7, 30, noise_h=0.5, seed=seed))
        values = np.array([found.fixed_h, found.recoat_s])
        errors = np.array([found.fixed_error_h, found.recoat_error_s])
        held += np.abs(values - truth) < 2.052 * errors
    assert held / 400 == pytest.approx([0.95, 0.95], abs=0.045)


def test_a_build_that_broke_off_is_named() -> None:
    builds = _builds(2.0, 0.03, 0.7, 30, noise_h=0.1)
    builds[7] = PastBuild("B7", "M1", builds[7].layers, builds[7].melted_cm3, builds[7].run_h + 9)
    assert calibrate(builds).odd_builds == ("B7",)


def test_no_figure_is_negative() -> None:
    # A straight line through the origin and a little below: the fixed time would be negative.
    builds = [PastBuild(f"B{i}", "M1", 100 * i, 10.0 * (i % 4 + 1), 1.0 * i - 0.05) for i in range(1, 12)]
    found = calibrate(builds)
    assert found.fixed_h == 0.0
    assert found.fixed_error_h == 0.0
    assert any("the fixed time came out as nothing" in w for w in found.warnings)


def test_builds_that_tell_too_little_are_refused_or_warned_of() -> None:
    with pytest.raises(ValueError, match="5 or more"):
        calibrate(_builds(2.0, 0.03, 0.7, 4))
    with pytest.raises(ValueError, match="one machine"):
        calibrate([*_builds(2.0, 0.03, 0.7, 6), PastBuild("X", "M2", 10, 1.0, 1.0)])
    with pytest.raises(ValueError, match="do not vary apart"):
        calibrate([PastBuild(f"B{i}", "M1", 100 * i, 10.0 * i, 1.0 + i) for i in range(1, 9)])
    alike = [PastBuild(f"B{i}", "M1", 100 * i, 10.0 * i + (i % 2) * 0.5, 1.0 + i) for i in range(1, 9)]
    assert any("much alike" in w for w in calibrate(alike).warnings)
    with pytest.raises(ValueError, match="above 0"):
        PastBuild("B", "M", 10, float("nan"), 1.0)


def test_a_history_is_read_and_all_its_faults_are_told(tmp_path: Path) -> None:
    path = tmp_path / "history.csv"
    path.write_text("build,machine,layers,melted_cm3,run_h,remark\nA,M1,1200,300.5,20.25,x\nB,M1,900,100,12,\n")
    assert read_build_history(path)[0] == PastBuild("A", "M1", 1200, 300.5, 20.25)
    path.write_text("build,machine,layers,melted_cm3,run_h\nA,M1,many,300.5,20\nB,M1,900,,x\nC,M1,-4,1,1\nD,M1,5,1,1\n")
    with pytest.raises(FaultyInput) as wrong:
        read_build_history(path)
    assert [(f.where, f.field) for f in wrong.value.faults] == [
        ("row 2", "layers"),
        ("row 3", "melted_cm3"),
        ("row 3", "run_h"),
        ("row 4", ""),
    ]
    path.write_text("build,machine\nA,M1\n")
    with pytest.raises(FaultyInput, match="run_h"):
        read_build_history(path)
    with pytest.raises(FaultyInput):
        read_build_history(tmp_path / "none.csv")
