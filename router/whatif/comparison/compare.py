"""What-ifs beside the base on the same streams: figures, paired differences, what an investment comes to."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from router.domain.network import Scenario
from router.kernel.faults import Fault, FaultyInput, PlatewrightError
from router.kernel.money import round_cents
from router.whatif.amounts import wrong_amounts
from router.whatif.changes.combine import BASE, WhatIf
from router.whatif.changes.records import Change, Demand
from router.whatif.comparison.replication import Asked, content_of, run_replication
from router.whatif.investment import Appraisal, Investment, appraise_together
from router.whatif.rolling.figures import Figures
from router.whatif.rolling.replicate import NEAR_KM, Stretch
from router.whatif.statistics import Difference, Interval
from router.whatif.study import Finding, Study, StudyOutcome, required, run_study, used_figures
from router.whatif.sweep.run import SweepEnd, SweepListener

VERSION = "rolling 3"
"""Raised whenever a replication comes to other figures for the same files: kept results are then done again."""


@dataclass(frozen=True, slots=True)
class Settings:
    """How much is simulated."""

    months: float = 12.0
    replications: int = 20
    seed: int = 1
    near_km: float = NEAR_KM
    executor: str = "processes:1"

    def __post_init__(self) -> None:
        said = wrong_amounts(self.months, self.replications, self.executor, self.near_km)
        if said:
            raise ValueError("; ".join(said))


@dataclass(frozen=True, slots=True)
class Lived:
    """One scenario's figures over the replications, and how they differ from the base's."""

    what_if: WhatIf
    by_replication: tuple[Figures, ...]
    means: Mapping[str, Interval]
    differences: Mapping[str, Difference]
    """Empty for the base."""
    appraisal: Appraisal | None
    """None where nothing is invested, or where landed costs do not compare."""
    why_no_appraisal: str
    """The reason when there is none, in words; empty for the base."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything a comparison found; the base stands first."""

    settings: Settings
    replications: int
    """Done by every scenario: fewer than asked for when it was cancelled."""
    lived: tuple[Lived, ...]
    end: SweepEnd
    seconds: float
    cpu_s: float | None
    """Processor seconds of the replications, kept ones included; None where they were not measured."""


def compare(
    folder: Path,
    scenario: Scenario,
    what_ifs: Sequence[tuple[Path, WhatIf]],
    settings: Settings,
    out: Path,
    cache_dir: Path | None = None,
    listener: SweepListener | None = None,
    cancel: threading.Event | None = None,
) -> Comparison:
    """Live through every what-if and the base with the same streams, and set them side by side.

    Results are kept in the folder ``out`` one by one; taken up again, only what is missing is simulated. Raises
    FaultyInput with every change that does not fit the base, before anything is simulated or made; PlatewrightError
    when a replication failed, when no line is received in the time that counts, or when a cancelled sweep has fewer
    than two replications of every scenario.
    """
    faults = [fault for path, what_if in what_ifs for fault in what_if.check(scenario.network, path.name)]
    faults += [no_demand(path.name) for path, what_if in what_ifs if not has_demand(what_if, scenario)]
    if faults:
        raise FaultyInput(faults)
    out.mkdir(parents=True, exist_ok=True)

    def asked(file: str, what_if: WhatIf) -> Asked:
        content, cache = content_of(scenario, what_if), str(cache_dir or "")
        return Asked(str(folder.resolve()), file, content, cache, settings.months, settings.near_km)

    named = {what_if.name: what_if for what_if in (BASE, *(w for _, w in what_ifs))}
    study = Study(
        {BASE.name: asked("", BASE), **{w.name: asked(str(path.resolve()), w) for path, w in what_ifs}},
        BASE.name,
        run_replication,
        settings.replications,
        settings.seed,
        VERSION,
    )
    outcome = run_study(study, out, settings.executor, listener=listener, cancel=cancel)
    found = set_side_by_side(named, study, outcome, settings)
    if empty := [x.what_if.name for x in found.lived if x.why_no_appraisal == NOTHING_RECEIVED]:
        raise PlatewrightError(
            f"{', '.join(empty)}: {NOTHING_RECEIVED}; compare over more months, or look at the days on which lines of"
            " the order book are received (platewright check)"
        )
    return found


def set_side_by_side(
    named: Mapping[str, WhatIf], study: Study, outcome: StudyOutcome, settings: Settings
) -> Comparison:
    """What lives that were lived come to; ``named``: base and what-ifs by name. Faults as of ``compare``."""
    done, pairs = outcome.sweep, required(study, outcome)
    # Figures are of the days that were counted.
    months = Stretch(months=settings.months).counted_months
    lived = []
    for found in outcome.findings:
        own = used_figures(study, done, found.scenario, found.used)
        base = used_figures(study, done, study.base, found.used)
        both = list(zip(own, base, strict=True))
        lived.append(_lived(named[found.scenario], named[study.base], found, both, months))
    cpu_s = sum(e.cpu_s for e in done.entries if e is not None)
    return Comparison(settings, pairs, tuple(lived), done.end, done.seconds, cpu_s)


def has_demand(what_if: WhatIf, scenario: Scenario) -> bool:
    """Whether any order is left: a life without one has no figures to set beside others."""
    demands = any(isinstance(change, Demand) for change in what_if.changes)
    months = range(1, 13)
    return not demands or any(what_if.demand(line, 0.0, month) > 0 for line in scenario.lines for month in months)


def no_demand(file: str) -> Fault:
    """What is said of a what-if without an order."""
    return Fault(file, "", "demand", "no order of the book left", "a factor above 0 for some of the orders")


def _lived(
    what_if: WhatIf, base: WhatIf, found: Finding, pairs: Sequence[tuple[Figures, Figures]], months: float
) -> Lived:
    """``pairs``: this scenario's figures and the base's, by replication."""
    why = "" if what_if is base else _why_no_appraisal(what_if, base, pairs)
    appraisal = None if why or what_if is base else _appraisal(what_if, base, pairs, months)
    return Lived(what_if, tuple(own for own, _ in pairs), found.means, found.differences, appraisal, why)


NOTHING_INVESTED = "nothing is invested"
NOTHING_RECEIVED = "no line is received in the time that counts, so that nothing can be compared"


def nothing_received(pairs: Iterable[tuple[Figures, Figures]]) -> bool:
    """Whether a scenario or what it is set beside has no line in any replication."""
    counts = [(own["lines"], beside["lines"]) for own, beside in pairs]
    return not any(own for own, _ in counts) or not any(beside for _, beside in counts)


def _beyond(what_if: WhatIf, base: WhatIf) -> tuple[Change, ...] | None:
    """Changes that come on top of the base's; None when the what-if does not go on from it."""
    shared = len(base.changes)
    return what_if.changes[shared:] if what_if.changes[:shared] == base.changes else None


def _why_no_appraisal(what_if: WhatIf, base: WhatIf, pairs: Sequence[tuple[Figures, Figures]]) -> str:
    """Why savings of landed cost are not held against what is paid beyond the base; empty when they are."""
    own_changes = _beyond(what_if, base)
    if nothing_received(pairs):
        return NOTHING_RECEIVED
    if not what_if.investments and not base.investments:
        return NOTHING_INVESTED
    if own_changes is None:
        return "it does not go on from its base, so that what it pays beyond that is not known"
    if not any(c.investment is not None for c in own_changes):
        return NOTHING_INVESTED
    if any(isinstance(change, Demand) for change in own_changes):
        return "demand is not the base's, so that landed costs do not compare"
    other = sum(own["lines_not_placed"] != beside["lines_not_placed"] for own, beside in pairs)
    if other:
        return (
            f"in {other} of {len(pairs)} replications more or fewer lines than in the base are built by nobody, which"
            " landed costs leave out, so that they do not compare"
        )
    return ""


def _appraisal(what_if: WhatIf, base: WhatIf, pairs: Sequence[tuple[Figures, Figures]], months: float) -> Appraisal:
    """Savings of landed cost against what is paid beyond the base."""
    paid = [c.investment for c in _beyond(what_if, base) or () if c.investment is not None]
    investments = [
        Investment(
            outlays=((0, x.capex),),
            opens_month=x.ready_after_months,
            life_months=max(1, round(12 * what_if.life_years)),
            discount_rate_per_year=what_if.discount_rate_per_year,
            ramp_months=x.ramp_months,
            staff_cents_per_month=x.staff_per_month,
            fixed_cents_per_month=x.fixed_per_month,
        )
        for x in paid
    ]
    savings = [(round_cents((beside["landed_cents"] - own["landed_cents"]) / months),) for own, beside in pairs]
    return appraise_together(investments, savings)
