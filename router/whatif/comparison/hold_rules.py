"""How long should a plate stay open for orders still to come? Rules of holding lived through on the same orders.

A rule holds a build whose plate is covered less than a share, while every line on it has so many days to spare and for
so many days at most; never so that a promise given on acceptance is broken by it (``rolling/life.py``). Each rule lives
through the same streams; the rule without holding is the base.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from router.domain.network import Scenario
from router.kernel.faults import Fault
from router.whatif.amounts import wrong_amounts
from router.whatif.comparison.compare import VERSION
from router.whatif.comparison.replication import kept_scenario
from router.whatif.rolling.figures import Figures
from router.whatif.rolling.life import Habits
from router.whatif.rolling.replicate import Stretch, replicate
from router.whatif.statistics import Difference, Interval, compare_paired, t_interval
from router.whatif.study import Study, StudyOutcome, required, run_study, used_figures
from router.whatif.sweep.run import SweepListener

NEVER = "never held"
_PROMISES, _COST = "promise_kept_share", "landed_cents"


@dataclass(frozen=True, slots=True)
class HoldRule:
    """A threshold: covered less than this share, with so many days to spare, for so many days at most."""

    cover: float
    slack_days: float
    at_most_days: int

    def __post_init__(self) -> None:
        faults = rule_faults(self.cover, self.slack_days, self.at_most_days)
        if faults:
            raise ValueError("; ".join(fault.sentence() for fault in faults))

    @property
    def name(self) -> str:
        """The rule in words."""
        return f"below {self.cover:.0%} with {self.slack_days:g} days to spare"


MOST_SLACK_DAYS, MOST_HELD_DAYS = 365.0, 60


def rule_faults(cover: float, slack_days: float, at_most_days: int, where: str = "") -> list[Fault]:
    """What is wrong with a rule, field by field; ``where``: what it is of."""
    wrong = [
        (not 0 < cover <= 1, "cover", f"{cover:g}", "a share above 0, at most 1"),
        (not 0 < slack_days <= MOST_SLACK_DAYS, "slack_days", f"{slack_days:g}", f"above 0 to {MOST_SLACK_DAYS:g}"),
        (not 1 <= at_most_days <= MOST_HELD_DAYS, "at_most_days", str(at_most_days), f"1 to {MOST_HELD_DAYS}"),
    ]
    return [Fault("", where, field, found, expected) for bad, field, found, expected in wrong if bad]


@dataclass(frozen=True, slots=True)
class HoldSettings:
    """How much is simulated."""

    rules: tuple[HoldRule, ...]
    months: float = 3.0
    replications: int = 5
    seed: int = 1
    executor: str = "processes:2"

    def __post_init__(self) -> None:
        said = [fault.sentence() for fault in same_rules(self.rules)]
        said += wrong_amounts(self.months, self.replications, self.executor)
        if said:
            raise ValueError("; ".join(said))


def same_rules(rules: Sequence[HoldRule], where: str = "") -> list[Fault]:
    """What is wrong with rules together: none, or several of one name."""
    names = [rule.name for rule in rules]
    if rules and len(set(names)) == len(names):
        return []
    want = "one rule at least, every rule once (whole per cent)"
    return [Fault("", where, "cover", ", ".join(names) or "none", want)]


@dataclass(frozen=True, slots=True)
class HoldAsked:
    """One rule of a study; results are kept under all of this. ``rule``: None is never to hold."""

    folder: str
    content: str
    cache_dir: str
    months: float
    rule: HoldRule | None


def run_hold(asked: HoldAsked, seed: int) -> Figures:
    """Figures of the scenario under one rule and the stream of one seed. Faults as of ``kept_scenario``."""
    base = kept_scenario(asked.folder, asked.cache_dir, asked.content)
    return replicate(base, base.network, seed, Stretch(months=asked.months), None, habits_of(asked.rule))


def habits_of(rule: HoldRule | None) -> Habits:
    """The habits of the simulation with this rule in place of its own."""
    if rule is None:
        return replace(Habits(), hold_slack_days=0.0)
    return replace(
        Habits(), hold_cover=rule.cover, hold_slack_days=rule.slack_days, hold_at_most_days=rule.at_most_days
    )


@dataclass(frozen=True, slots=True)
class HoldFound:
    """What one rule came to, beside never holding (``differences`` empty there). Landed cost in cents."""

    name: str
    rule: HoldRule | None
    cost: Interval
    cover: float
    late_share: float
    promise_kept_share: float
    differences: dict[str, Difference]

    @property
    def cost_beside_never(self) -> Difference | None:
        """Landed cost less that of never holding; None for never holding itself."""
        return self.differences.get(_COST)

    @property
    def keeps_promises(self) -> bool:
        """False where fewer promises are kept than without holding, beyond noise."""
        gap = self.differences.get(_PROMISES)
        return gap is None or not gap.is_lower


@dataclass(frozen=True, slots=True)
class HoldTuning:
    """The rules, never holding first; the cheapest that keeps promises; and it beside each of the others."""

    settings: HoldSettings
    replications: int
    found: tuple[HoldFound, ...]
    best: HoldFound
    beside: dict[str, Difference]
    """By name of another rule that keeps promises: landed cost of the best less that rule's."""

    @property
    def beyond_noise(self) -> bool:
        """Whether the best is cheaper than never holding beyond noise; False when never holding is the best."""
        return NEVER in self.beside and self.beside[NEVER].is_lower


def tune_hold(
    folder: Path,
    scenario: Scenario,
    settings: HoldSettings,
    out: Path,
    cache_dir: Path | None = None,
    listener: SweepListener | None = None,
    cancel: threading.Event | None = None,
) -> HoldTuning:
    """Live through every rule with the same streams. Results are kept in ``out`` and taken up again from there.

    Raises PlatewrightError when a replication failed or fewer than two of every rule are done.
    """
    rules = named_rules(settings.rules)
    where, cache = str(folder.resolve()), str(cache_dir or "")
    asked = {n: HoldAsked(where, scenario.fingerprint, cache, settings.months, r) for n, r in rules.items()}
    study = Study(asked, NEVER, run_hold, settings.replications, settings.seed, VERSION)
    return rules_beside(settings, study, run_study(study, out, settings.executor, listener=listener, cancel=cancel))


def named_rules(rules: Sequence[HoldRule]) -> dict[str, HoldRule | None]:
    """Never holding, and the rules, by name."""
    return {NEVER: None, **{rule.name: rule for rule in rules}}


def rules_beside(settings: HoldSettings, study: Study, outcome: StudyOutcome) -> HoldTuning:
    """What lives that were lived under ``named_rules`` come to. Faults as of ``tune_hold``."""
    rules = named_rules(settings.rules)
    required(study, outcome, "rule")
    used = outcome.findings[0].used
    lived = {name: used_figures(study, outcome.sweep, name, used) for name in study.scenarios}
    found = tuple(
        _found(f.scenario, rules[f.scenario], lived[f.scenario], dict(f.differences)) for f in outcome.findings
    )
    return _chosen(settings, found, lived)


def _found(name: str, rule: HoldRule | None, lived: Sequence[Figures], differences: dict[str, Difference]) -> HoldFound:
    def mean(figure: str) -> float:
        return sum(x[figure] for x in lived) / len(lived)

    cost = t_interval([x[_COST] for x in lived])
    return HoldFound(name, rule, cost, mean("mean_cover"), mean("late_share"), mean(_PROMISES), differences)


def _chosen(settings: HoldSettings, found: tuple[HoldFound, ...], lived: dict[str, list[Figures]]) -> HoldTuning:
    keeping = [f for f in found if f.keeps_promises]
    best = min(keeping, key=lambda f: f.cost.mean)
    cents = {name: [x[_COST] for x in figures] for name, figures in lived.items()}
    # The best was picked among all pairs of rules: its differences are judged together with all of those.
    pairs = max(1, len(found) * (len(found) - 1) // 2)
    beside = {
        f.name: compare_paired(cents[best.name], cents[f.name], judged_together=pairs) for f in keeping if f is not best
    }
    return HoldTuning(settings, len(cents[best.name]), found, best, beside)
