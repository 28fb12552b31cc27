"""What-ifs beside the base on the same streams: figures, paired differences, what an investment comes to."""

from __future__ import annotations

import re
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from router.domain.network import Scenario
from router.kernel.faults import Fault, FaultyInput, PlatewrightError
from router.kernel.money import round_cents
from router.whatif.changes.combine import BASE, WhatIf
from router.whatif.changes.records import Demand
from router.whatif.comparison.replication import run_replication
from router.whatif.investment import Appraisal, Investment, appraise
from router.whatif.rolling.figures import FIGURES, Figures
from router.whatif.statistics import Difference, Interval, compare_paired, t_interval
from router.whatif.sweep.run import SweepEnd, SweepListener, sweep
from router.whatif.sweep.task import Task

_VERSION = "rolling 1"
"""Raised whenever a replication comes to other figures for the same files: kept results are then done again."""


@dataclass(frozen=True, slots=True)
class Settings:
    """How much is simulated."""

    months: float = 12.0
    replications: int = 20
    seed: int = 1
    near_km: float = 500.0
    executor: str = "processes:1"

    def __post_init__(self) -> None:
        wrong = [
            (not 0.25 <= self.months <= 18, f"months lie between 0.25 and 18, found {self.months:g}"),
            (not 2 <= self.replications <= 10_000, f"2 replications or more, found {self.replications}"),
            (self.near_km <= 0, f"a distance above 0 km, found {self.near_km:g}"),
            (
                not re.fullmatch(r"here|processes:[1-9][0-9]*|dask:\S+", self.executor),
                f"here, processes:N or dask:tcp://host:port, found {self.executor}",
            ),
        ]
        said = [text for bad, text in wrong if bad]
        if said:
            raise ValueError("; ".join(said))


@dataclass(frozen=True, slots=True)
class Lived:
    """One scenario's figures over the replications, and how they differ from the base's."""

    what_if: WhatIf
    by_replication: tuple[Figures, ...]
    means: dict[str, Interval]
    differences: dict[str, Difference]
    """Empty for the base."""
    appraisal: Appraisal | None
    """None where nothing is invested, or where demand is not the base's."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything a comparison found; the base stands first."""

    settings: Settings
    replications: int
    """Done by every scenario: fewer than asked for when it was cancelled."""
    lived: tuple[Lived, ...]
    end: SweepEnd
    seconds: float
    cpu_s: float
    """Processor seconds of the replications, kept ones included."""


def compare(
    folder: Path,
    scenario: Scenario,
    what_ifs: Sequence[tuple[Path, WhatIf]],
    settings: Settings,
    ledger: Path,
    cache_dir: Path | None = None,
    listener: SweepListener | None = None,
    cancel: threading.Event | None = None,
) -> Comparison:
    """Live through every what-if and the base with the same streams, and set them side by side.

    Results are kept in ``ledger`` one by one; taken up again, only what is missing is simulated. Raises FaultyInput
    with every change that does not fit the base, before anything is simulated; PlatewrightError when a replication
    failed, or when a cancelled sweep has fewer than two replications of every scenario.
    """
    faults: list[Fault] = []
    for path, what_if in what_ifs:
        faults += [Fault(path.name, f.where, f.field, f.found, f.expected) for f in what_if.check(scenario.network)]
    if faults:
        raise FaultyInput(faults)
    asked = [("", BASE), *((str(path.resolve()), what_if) for path, what_if in what_ifs)]
    tasks = [
        Task(
            f"{name or 'base'} {replication}",
            run_replication,
            (str(folder.resolve()), name, str(cache_dir or ""), replication, settings.seed, settings.months,
             settings.near_km),
            version=f"{_VERSION} {scenario.fingerprint} {what_if.fingerprint}",
        )
        for replication in range(settings.replications)
        for name, what_if in asked
    ]  # fmt: skip
    outcome = sweep(tasks, ledger, settings.executor, listener=listener, cancel=cancel)
    if outcome.failed:
        first = outcome.failed[0]
        raise PlatewrightError(f"{len(outcome.failed)} replications failed; {first.name}: {first.failed}")
    rows = [outcome.entries[n * len(asked) : (n + 1) * len(asked)] for n in range(settings.replications)]
    whole = [row for row in rows if all(entry is not None for entry in row)]
    if len(whole) < 2:
        raise PlatewrightError(
            f"{len(whole)} replications of every scenario are done, 2 are needed to compare; what is done is kept"
        )
    columns: list[tuple[Figures, ...]] = [
        tuple(entry.value for row in whole if (entry := row[n]) is not None) for n in range(len(asked))
    ]
    cpu_s = sum(entry.cpu_s for row in whole for entry in row if entry is not None)
    return Comparison(
        settings,
        len(whole),
        tuple(
            _lived(what_if, columns[n], columns[0] if n else None, settings.months)
            for n, (_, what_if) in enumerate(asked)
        ),
        outcome.end,
        outcome.seconds,
        cpu_s,
    )


def _lived(what_if: WhatIf, figures: tuple[Figures, ...], base: tuple[Figures, ...] | None, months: float) -> Lived:
    means = {name: t_interval([f[name] for f in figures]) for name in FIGURES}
    if base is None:
        return Lived(what_if, figures, means, {}, None)
    differences = {name: compare_paired([f[name] for f in figures], [f[name] for f in base]) for name in FIGURES}
    return Lived(what_if, figures, means, differences, _appraisal(what_if, figures, base, months))


def _appraisal(
    what_if: WhatIf, figures: tuple[Figures, ...], base: tuple[Figures, ...], months: float
) -> Appraisal | None:
    """Savings of landed cost against what is paid. With another demand, landed costs do not compare."""
    paid = what_if.investments
    if not paid or any(isinstance(change, Demand) for change in what_if.changes):
        return None
    investment = Investment(
        outlays=((0, sum(x.capex for x in paid)),),
        opens_month=max(x.ready_after_months for x in paid),
        life_months=max(1, round(12 * what_if.life_years)),
        discount_rate_per_year=what_if.discount_rate_per_year,
        ramp_months=max(x.ramp_months for x in paid),
        staff_cents_per_month=sum(x.staff_per_month for x in paid),
        fixed_cents_per_month=sum(x.fixed_per_month for x in paid),
    )
    savings = [
        (round_cents((b["landed_cents"] - f["landed_cents"]) / months),) for f, b in zip(figures, base, strict=True)
    ]
    return appraise(investment, savings)
