"""Published location problems with known optima (OR-Library; Holmberg, Ronnqvist & Yuan 1999)."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from router.kernel.run import Status
from router.whatif.siting import LocateParams, locate
from tests.bench.siting_cases import SitingCase, siting_cases

_TAKEN = {
    "facility_capacitated.json": ("cap41", "cap64", "cap94", "cap113", "cap131"),
    "p_median.json": ("pmed1", "pmed3", "pmed6", "pmed13", "pmed20"),
    "facility_single_source.json": ("holmberg_p06", "holmberg_p12", "delmaire_p41"),
}


def _cases() -> list[SitingCase]:
    found = []
    for name, taken in _TAKEN.items():
        file = next((f / name for f in _folders() if (f / name).exists()), None)
        if file is not None:
            found += [c for c in siting_cases(json.loads(file.read_text())) if c.name in taken]
    return found


def _folders() -> list[Path]:
    return [up / "shared" / "data" / "or" for up in Path(__file__).resolve().parents]


@pytest.mark.skipif(not _cases(), reason="open data sets are not beside the clone")
def test_published_optima_are_reached_and_proven() -> None:
    for case in _cases():
        found = locate(case.problem, LocateParams(seconds=120.0))
        assert found.status is Status.OPTIMAL, case.name
        assert found.value == pytest.approx(case.best_known, rel=1e-6), case.name
        assert found.bound == pytest.approx(case.best_known, rel=1e-6), case.name
