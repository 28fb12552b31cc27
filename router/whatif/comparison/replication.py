"""The task a sweep does: one replication of one what-if, from files alone."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from router.domain.network import Scenario
from router.formats.scenario_folder import read_scenario
from router.whatif.changes.combine import BASE, WhatIf, read_what_if
from router.whatif.rolling.figures import Figures
from router.whatif.rolling.replicate import Stretch, replicate


def run_replication(
    folder: str, what_if: str, cache_dir: str, replication: int, seed: int, months: float, near_km: float
) -> Figures:
    """Figures of one replication. ``what_if``: path of its file, empty for the base; ``cache_dir``: where measured
    models are kept. Raises FaultyInput for faulty files and Misfit for a change that does not fit."""
    base = _scenario(folder, cache_dir)
    asked = _what_if(what_if)
    return replicate(
        base, asked.network(base.network), replication, seed, Stretch(months=months, near_km=near_km), asked.demand
    )


@lru_cache(maxsize=2)
def _scenario(folder: str, cache_dir: str) -> Scenario:
    return read_scenario(Path(folder), Path(cache_dir) if cache_dir else None)


@lru_cache(maxsize=32)
def _what_if(file: str) -> WhatIf:
    return read_what_if(Path(file)) if file else BASE
