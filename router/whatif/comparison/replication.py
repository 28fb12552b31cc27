"""The task a study does: one replication of one what-if, from files alone."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from router.domain.network import Scenario
from router.formats.scenario_folder import read_scenario
from router.whatif.changes.combine import BASE, WhatIf, read_what_if
from router.whatif.rolling.figures import Figures
from router.whatif.rolling.replicate import Stretch, replicate


@dataclass(frozen=True, slots=True)
class Asked:
    """One scenario of a study by its files; results are kept under all of this."""

    folder: str
    what_if: str
    """Path of the what-if file, empty for the base."""
    content: str
    """Fingerprints of both: other content is another scenario."""
    cache_dir: str
    """Where measured models are kept; empty for nowhere."""
    months: float
    near_km: float


def run_replication(asked: Asked, seed: int) -> Figures:
    """Figures of one scenario under the stream of one seed.

    Raises FaultyInput for faulty files and Misfit for a change that does not fit.
    """
    base = kept_scenario(asked.folder, asked.cache_dir, asked.content)
    what_if = _what_if(asked.what_if, asked.content)
    stretch = Stretch(months=asked.months, near_km=asked.near_km)
    return replicate(base, what_if.network(base.network), seed, stretch, what_if.demand)


# The content is part of the key: a process that lives on must not take an old file for a changed one.
@lru_cache(maxsize=4)
def kept_scenario(folder: str, cache_dir: str, content: str) -> Scenario:
    """The scenario of a folder, read once a process as long as ``content`` is the same. Raises FaultyInput."""
    return read_scenario(Path(folder), Path(cache_dir) if cache_dir else None)


@lru_cache(maxsize=32)
def _what_if(file: str, content: str) -> WhatIf:
    return read_what_if(Path(file)) if file else BASE
