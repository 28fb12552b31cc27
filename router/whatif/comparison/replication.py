"""The task a study does: one replication of one what-if, from files alone."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from router.domain.network import Scenario
from router.formats.scenario_folder import read_scenario
from router.kernel.faults import Conflict
from router.whatif.changes.combine import BASE, WhatIf, read_what_if
from router.whatif.rolling.figures import Figures
from router.whatif.rolling.replicate import Stretch, replicate

_AGAIN = "ask again, and all of it is lived through as it is now"


@dataclass(frozen=True, slots=True)
class Asked:
    """One scenario of a study by its files; results are kept under all of this."""

    folder: str
    what_if: str
    """Path of the what-if file, empty for the base."""
    content: str
    """Fingerprints of both, as ``content_of`` writes them: other content is another scenario."""
    cache_dir: str
    """Where measured models are kept; empty for nowhere."""
    months: float
    near_km: float


def content_of(scenario: Scenario, what_if: WhatIf) -> str:
    """Fingerprints of the two; those of a folder and a file that change while lives are lived are others."""
    return f"{scenario.fingerprint} {what_if.fingerprint}"


def run_replication(asked: Asked, seed: int) -> Figures:
    """Figures of one scenario under the stream of one seed.

    Raises FaultyInput for faulty files, Misfit for a change that does not fit, Conflict for files that are not any more
    what was asked about: lives of two worlds do not mix.
    """
    scenario, _, what_if = asked.content.partition(" ")
    base = kept_scenario(asked.folder, asked.cache_dir, scenario)
    changed = _kept_what_if(asked.what_if, what_if)
    stretch = Stretch(months=asked.months, near_km=asked.near_km)
    return replicate(base, changed.network(base.network), seed, stretch, changed.demand)


# A process that lives on must not take an old file for a changed one, so the fingerprint is part of the key; and all
# what-ifs of a comparison share one scenario, so nothing else is. Two of them, for they are large.
@lru_cache(maxsize=2)
def kept_scenario(folder: str, cache_dir: str, fingerprint: str) -> Scenario:
    """The scenario of a folder with that fingerprint, read once a process.

    Raises FaultyInput, and Conflict when the folder holds another one by now.
    """
    scenario = read_scenario(Path(folder), Path(cache_dir) if cache_dir else None)
    if scenario.fingerprint != fingerprint:
        raise Conflict(f"the scenario folder {folder} was changed after this was begun; {_AGAIN}")
    return scenario


@lru_cache(maxsize=256)
def _kept_what_if(file: str, fingerprint: str) -> WhatIf:
    what_if = read_what_if(Path(file)) if file else BASE
    if what_if.fingerprint != fingerprint:
        raise Conflict(f"the what-if file {file}, or one it goes on from, was changed after this was begun; {_AGAIN}")
    return what_if
