"""Simulations as jobs, whatever they are for: how much may be asked, and what the lives that are kept come to."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Any

from router.domain.network import Scenario
from router.kernel.faults import Fault
from router.service.records import LifeRecord
from router.whatif.amounts import amount_faults
from router.whatif.comparison.compare import VERSION
from router.whatif.rolling.figures import Figures
from router.whatif.rolling.replicate import Stretch
from router.whatif.study import Study, StudyOutcome, compare
from router.whatif.sweep import Entry, SweepEnd, SweepOutcome

MOST_REPLICATIONS = 200
MOST_LIFE_MONTHS = 2_000
"""Lives times months, those before and after the months that count too: about an hour of a processor for a book like
the demonstration's (2 seconds a month, ROLLING.md)."""


def life_faults(
    where: str, worlds: int, fewer: str, months: float, replications: int, seed: int, near_km: float | None = None
) -> list[Fault]:
    """What is wrong with so much of it: the workers are everybody's.

    ``worlds`` live side by side; ``fewer``: what there could be fewer of.
    """
    faults = amount_faults(months, replications, near_km, MOST_REPLICATIONS, where)
    lives = worlds * replications
    stretch = Stretch(months=months)
    if not faults and lives * stretch.lived_months > MOST_LIFE_MONTHS:
        want = f"at most {MOST_LIFE_MONTHS:,} months lived in all: fewer {fewer}, replications or months"
        beside = stretch.warm_up_days + stretch.run_out_days
        found = f"{lives} lives of {stretch.lived_months:.1f} months, {beside} days before and after included"
        faults.append(Fault("", where, "replications", found, want))
    if not 0 <= seed < 2**31:
        faults.append(Fault("", where, "seed", str(seed), "0 to 2147483647"))
    return faults


def content_of(scenario: Scenario) -> str:
    """What a life was drawn from and lived by: lives of another book or of another edition of the rules do not mix."""
    return hashlib.sha256(f"{VERSION} {scenario.fingerprint}".encode()).hexdigest()


def study_of(
    lived: Sequence[LifeRecord], worlds: Sequence[str], replications: int, seed: int
) -> tuple[Study, StudyOutcome] | None:
    """The lives of a job as a study of its worlds (by name, the base first) and what it came to.

    None while fewer than two replications of every world are there. Raises ValueError for a life nobody asked for.
    """
    width = len(worlds)
    entries: list[Entry | None] = [None] * (replications * width)
    for x in lived:
        if not (0 <= x.number < replications and 0 <= x.scenario < width):
            asked = f"{replications} replications of {width} worlds"
            raise ValueError(f"job {x.job_id}: replication {x.number} of world {x.scenario} is none of {asked}")
        entries[x.number * width + x.scenario] = Entry("", "", dict(x.figures), "", 0.0, 0.0, "")
    whole = sum(all(e is not None for e in entries[n * width : (n + 1) * width]) for n in range(replications))
    if whole < 2:
        return None
    end = SweepEnd.DONE if whole == replications else SweepEnd.CANCELLED
    study = Study(dict.fromkeys(worlds), worlds[0], _never, replications, seed)
    done = SweepOutcome(end, "", tuple(entries), 0, 0, 0.0)
    return study, StudyOutcome(done, compare(study, done))


def _never(scenario: Any, seed: int) -> Figures:
    raise AssertionError("these lives were lived before")
