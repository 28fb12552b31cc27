"""Is the choice of sites right where orders come day by day? The choices lived through beside the network as it is.

The location programme knows a year's demand and no due dates, queues or single plates. Here every choice lives through
the same months of orders as the network without it, on the programme's terms; what a site, its people and its
investment cost a year is the programme's own figure and is the same in every replication.
"""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from router.domain.network import Scenario
from router.domain.siting import SitingQuestion
from router.formats.result_folder import refuse_others
from router.kernel.faults import FaultyInput
from router.whatif.amounts import wrong_amounts
from router.whatif.changes import read_what_if
from router.whatif.comparison.compare import VERSION as LIVES
from router.whatif.comparison.replication import Asked, content_of, run_replication
from router.whatif.rolling.replicate import NEAR_KM, Stretch
from router.whatif.siting.as_what_if import TERMS_FILE, choice_file, is_choice_file, what_if_files
from router.whatif.siting.network_choice import YEAR_DAYS, NetworkChoice
from router.whatif.siting.offers import Offers
from router.whatif.statistics import Difference, compare_paired
from router.whatif.study import RESULTS_FILE, Study, required, run_study, used_figures
from router.whatif.sweep import SweepListener

_VERSION = f"site check 3, {LIVES}"
"""Of the check itself, and of the lives: other rules for either are other results."""
_YEARLY_PARTS = ("sites", "staff", "capital")


@dataclass(frozen=True, slots=True)
class CheckAsked:
    """How much is simulated, and where the what-if files and the results are kept (None: nowhere)."""

    months: float = 3.0
    replications: int = 5
    seed: int = 1
    runners_up: int = 0
    executor: str = "processes:2"
    kept_in: Path | None = None

    def __post_init__(self) -> None:
        said = wrong_amounts(self.months, self.replications, self.executor)
        if not 0 <= self.runners_up <= 20:
            said.append(f"0 to 20 runners-up, found {self.runners_up}")
        if said:
            raise ValueError("; ".join(said))


class Agreement(StrEnum):
    """What the simulation says of a choice that the programme finds cheaper than the network as it is."""

    AGREES = "agrees"
    DISAGREES = "disagrees"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class CheckedChoice:
    """One choice. Cents a year."""

    label: str
    programme_saving_cents: float
    difference: Difference
    """Cost of a year with the choice less that without, replication by replication."""
    not_built: tuple[float, float]
    """Mean lines that nobody could build, without the choice and with it."""
    late_share: tuple[float, float]
    """Mean share of late lines, without the choice and with it."""

    @property
    def agreement(self) -> Agreement:
        """Whether the interval lies wholly below zero, wholly above, or holds it."""
        if self.difference.is_lower:
            return Agreement.AGREES
        if self.difference.is_higher:
            return Agreement.DISAGREES
        return Agreement.CANNOT_TELL


@dataclass(frozen=True, slots=True)
class SiteCheck:
    """All choices that were lived through, the best first; none when no site is opened."""

    asked: CheckAsked
    checked: tuple[CheckedChoice, ...]
    bought_line_cents: float
    """What a line that nobody builds is counted at: the programme's mean price of buying a line elsewhere."""


def refuse_kept_in(folder: Path) -> None:
    """Raises FaultyInput when the folder holds other things than an earlier check, or nothing can be written there."""
    refuse_others(folder, _is_ours, "what-if files of an earlier choice")


def _is_ours(name: str) -> bool:
    return name in (TERMS_FILE, RESULTS_FILE) or is_choice_file(name)


def write_choices(
    folder: Path, scenario: Scenario, question: SitingQuestion, choices: Sequence[NetworkChoice]
) -> dict[str, Path]:
    """The what-if files of the terms and of the choices; those of an earlier choice go. Path by file name."""
    files = what_if_files(scenario, question, [c for c in choices if c.opened])
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.iterdir():
        if is_choice_file(old.name):
            old.unlink()
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    return {name: folder / name for name in files}


def check_choices(
    base_folder: Path,
    scenario: Scenario,
    question: SitingQuestion,
    offers: Offers,
    as_is: NetworkChoice,
    choices: Sequence[NetworkChoice],
    asked: CheckAsked,
    cache_dir: Path | None = None,
    listener: SweepListener | None = None,
) -> SiteCheck:
    """Live through the choices that open a site. Results are kept where ``asked`` says and taken up again from there.

    Raises FaultyInput for a choice that does not fit the network, PlatewrightError as of ``required``.
    """
    opening = [c for c in choices if c.opened]
    price = _bought_line_cents(question, offers)
    if not opening:
        return SiteCheck(asked, (), price)
    with tempfile.TemporaryDirectory() as passing:
        folder = asked.kept_in or Path(passing)
        files = write_choices(folder, scenario, question, opening)
        faults = [f for name, p in files.items() for f in read_what_if(p).check(scenario.network, name)]
        if faults:
            raise FaultyInput(faults)

        def asked_of(path: Path) -> Asked:
            content = content_of(scenario, read_what_if(path))
            where = str(path.resolve())
            return Asked(str(base_folder.resolve()), where, content, str(cache_dir or ""), asked.months, NEAR_KM)

        scenarios = {name: asked_of(path) for name, path in files.items()}
        study = Study(scenarios, TERMS_FILE, run_replication, asked.replications, asked.seed, _VERSION)
        outcome = run_study(study, folder, asked.executor, listener=listener)
    required(study, outcome, "choice")
    used = outcome.findings[0].used
    lived = {name: used_figures(study, outcome.sweep, name, used) for name in scenarios}
    counted_days = Stretch(months=asked.months).counted_days
    without = lived[TERMS_FILE]
    before = [_yearly(x, as_is, price, counted_days) for x in without]
    checked = []
    for number, choice in enumerate(opening, start=1):
        own = lived[choice_file(number)]
        after = [_yearly(x, choice, price, counted_days) for x in own]
        checked.append(
            CheckedChoice(
                choice.label(),
                as_is.total_cents - choice.total_cents,
                compare_paired(after, before, judged_together=len(opening)),
                (_mean(without, "lines_not_placed"), _mean(own, "lines_not_placed")),
                (_mean(without, "late_share"), _mean(own, "late_share")),
            )
        )
    return SiteCheck(asked, tuple(checked), price)


def _yearly(figures: Mapping[str, float], choice: NetworkChoice, line_cents: float, counted_days: int) -> float:
    simulated = figures["landed_cents"] + figures["lines_not_placed"] * line_cents
    return simulated * YEAR_DAYS / counted_days + sum(choice.parts[p] for p in _YEARLY_PARTS)


def _mean(lived: Sequence[Mapping[str, float]], name: str) -> float:
    return sum(x[name] for x in lived) / len(lived)


def _bought_line_cents(question: SitingQuestion, offers: Offers) -> float:
    """Mean over the lines that something could build of their least hours, at the price of an hour bought."""
    least: dict[int, float] = {}
    for o in offers.offers:
        hours = o.hours(question.terms.plate_fill.value)
        least[o.line] = min(least.get(o.line, hours), hours)
    return sum(least.values()) / len(least) * question.terms.bought_cents_per_h.value if least else 0.0
