"""A study: some scenarios beside a base, replication by replication on the same orders, as one sweep.

What a replication is, the study does not know: any function of a scenario and a seed that gives figures. All scenarios
of a replication get the same seed (common random numbers), so that differences are taken pair by pair.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from router.kernel.faults import CalledOff, PlatewrightError
from router.kernel.seeds import child_seed
from router.whatif.statistics import Difference, Interval, compare_paired, t_interval
from router.whatif.sweep import Entry, SweepEnd, SweepListener, SweepOutcome, Task, sweep

RESULTS_FILE = "results.jsonl"
"""Where a study keeps what has come, in its folder."""
Replicate = Callable[[Any, int], Mapping[str, float]]
"""Figures of one scenario under one seed. A function of a module, so that workers find it."""


@dataclass(frozen=True, slots=True)
class Study:
    """What is to be simulated. ``scenarios``: by name, whatever ``replicate`` takes, of values with a digest."""

    scenarios: Mapping[str, Any]
    base: str
    replicate: Replicate
    replications: int
    seed: int = 0
    version: str = ""
    """To be raised when the simulation comes to other figures for the same input."""

    def __post_init__(self) -> None:
        if self.base not in self.scenarios:
            raise ValueError(f"the base {self.base!r} is none of the scenarios: {', '.join(self.scenarios) or 'none'}")
        if self.replications < 1:
            raise ValueError(f"a study needs a replication, found {self.replications}")

    def tasks(self) -> list[Task]:
        """Replication by replication, so that a study broken off can be compared as far as it came."""
        return [
            Task(
                f"{name}, replication {number}",
                self.replicate,
                (scenario, replication_seed(self.seed, number)),
                self.version,
            )
            for number in range(self.replications)
            for name, scenario in self.scenarios.items()
        ]


def replication_seed(seed: int, number: int) -> int:
    """Seed of a replication: the same for every scenario, so that all live through the same orders."""
    return child_seed(seed, "replication", number)


@dataclass(frozen=True, slots=True)
class Finding:
    """What the replications say of one scenario. Figures by name."""

    scenario: str
    used: tuple[int, ...]
    """Numbers of the replications in which both this scenario and the base gave their figures, and, in a study broken
    off, every other scenario that has any: nothing else is looked at."""
    means: Mapping[str, Interval]
    differences: Mapping[str, Difference]
    """This scenario less the base; empty for the base itself."""

    @property
    def replications(self) -> int:
        """How many there are."""
        return len(self.used)


@dataclass(frozen=True, slots=True)
class StudyOutcome:
    """``findings``: the base first; none of a scenario without a single whole replication."""

    sweep: SweepOutcome
    findings: tuple[Finding, ...]


def run_study(
    study: Study,
    folder: Path,
    executor: str = "processes:1",
    *,
    level: float = 0.95,
    listener: SweepListener | None = None,
    cancel: threading.Event | None = None,
) -> StudyOutcome:
    """Simulate what is not in the folder yet, then compare. Faults as of ``sweep``.

    Asked for more replications in the same folder, it does only the further ones. Of each figure the differences of all
    scenarios are judged together: with probability ``level`` all their intervals hold.
    """
    done = sweep(study.tasks(), folder / RESULTS_FILE, executor, listener=listener, cancel=cancel)
    return StudyOutcome(done, compare(study, done, level))


def required(study: Study, outcome: StudyOutcome, what: str = "scenario") -> int:
    """How many replications of every scenario (called ``what``) can be compared.

    Raises PlatewrightError when a replication failed, or when fewer than two of every scenario are done; CalledOff
    where that is so because the study was cancelled.
    """
    done = outcome.sweep
    # Broken off, a failure may be an earlier one that was to be tried again: what has its figures is compared.
    if done.failed and done.end is SweepEnd.DONE:
        first = done.failed[0]
        raise PlatewrightError(f"{len(done.failed)} replications failed; {first.name}: {first.failed}")
    pairs = min((f.replications for f in outcome.findings), default=0)
    if pairs < 2 or len(outcome.findings) < len(study.scenarios):
        kind = CalledOff if done.end is SweepEnd.CANCELLED else PlatewrightError
        raise kind(f"{pairs} replications of every {what} are done, 2 are needed to compare; what is done is kept")
    return pairs


def used_figures(study: Study, done: SweepOutcome, scenario: str, used: Sequence[int]) -> list[dict[str, float]]:
    """Figures of a scenario in the replications that are compared, in their order."""
    row = done.entries[list(study.scenarios).index(scenario) :: len(study.scenarios)]
    return [entry.value for entry in (row[n] for n in used) if entry is not None]


def compare(study: Study, done: SweepOutcome, level: float = 0.95) -> tuple[Finding, ...]:
    """Findings from the entries of a sweep over ``study.tasks()``, however many of them there are.

    Raises ValueError for replications that give different sets of figures.
    """
    names = list(study.scenarios)
    rows: dict[str, list[Entry | None]] = {name: list(done.entries[n :: len(names)]) for n, name in enumerate(names)}
    whole = {name: {n for n, e in enumerate(row) if e is not None and not e.failed} for name, row in rows.items()}
    # Broken off, the last replication is there for some only: means over unlike replications would not compare.
    broken_off = done.end is not SweepEnd.DONE
    common = set.intersection(*(w for w in whole.values() if w)) if broken_off and any(whole.values()) else None
    findings = []
    for name in [study.base, *(n for n in names if n != study.base)]:
        used = sorted(whole[name] & whole[study.base] & (whole[name] if common is None else common))
        pairs = [
            (own.value, base.value)
            for own, base in ((rows[name][n], rows[study.base][n]) for n in used)
            if own is not None and base is not None
        ]
        if pairs:
            findings.append(_finding(name, used, pairs, level, name != study.base, max(1, len(names) - 1)))
    return tuple(findings)


def _finding(
    name: str,
    used: list[int],
    pairs: list[tuple[dict[str, float], dict[str, float]]],
    level: float,
    is_other: bool,
    judged_together: int,
) -> Finding:
    figures = list(pairs[0][0])
    for own, base in pairs:
        if set(own) != set(figures) or set(base) != set(figures):
            odd = sorted((set(own) | set(base)) ^ set(figures)) or sorted(set(own) ^ set(base))
            raise ValueError(f"{name}: replications disagree about the figures {', '.join(odd)}")
    means = {f: t_interval([own[f] for own, _ in pairs], level) for f in figures}
    differences = {
        f: compare_paired([own[f] for own, _ in pairs], [base[f] for _, base in pairs], level, judged_together)
        for f in figures
        if is_other
    }
    return Finding(name, tuple(used), means, differences)
