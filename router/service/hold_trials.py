"""Hold a plate open for orders still to come, or start it? Rules tried on the book's own orders, as a job.

One rule holds for the whole network in a trial. As in comparisons only lines without an export code are lived through,
whoever asks. Plans of the book hold no plate open, whatever comes of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from router.formats.tables import Cell, csv_text
from router.kernel.faults import Fault, FaultyInput, NotFound
from router.service.desk import Desk
from router.service.hold_words import as_values, rules_csv, table_rows
from router.service.jobs import ask_job, asked_before, get_job
from router.service.lives import life_faults, study_of
from router.service.ports import Work
from router.service.receipts import Once
from router.service.records import Actor, JobKind, JobRecord, LifeRecord
from router.service.rights import Operation, require
from router.whatif.changes import BASE
from router.whatif.comparison.hold_rules import (
    HoldRule,
    HoldSettings,
    HoldTuning,
    habits_of,
    named_rules,
    rule_faults,
    rules_beside,
    same_rules,
)
from router.whatif.comparison.worlds import World
from router.whatif.rolling.figures import FIGURES

COVERS = (0.2, 0.35, 0.5, 0.7)
"""Thresholds tried when none is given; 0.35 is the simulation's own habit."""
SLACK_DAYS, AT_MOST_DAYS = 9.0, 3
MOST_RULES = 12
TABLES = ("rules", "replications")
_WHERE = "hold trial"


def ask_hold_trial(
    desk: Desk,
    actor: Actor,
    covers: Sequence[float] = COVERS,
    slack_days: float = SLACK_DAYS,
    at_most_days: int = AT_MOST_DAYS,
    months: float = 3.0,
    replications: int = 5,
    seed: int = 1,
    once: Once | None = None,
) -> JobRecord:
    """Ask which of the thresholds is best: a build whose plate is covered less than one waits, ``at_most_days``, while
    every line on it has ``slack_days`` to spare. Raises FaultyInput."""
    require(actor, Operation.ASK_RUN)
    asked = asked_before(desk, actor, once)
    if asked is not None:
        return asked
    # Days are the same for all rules: what is wrong with them is said once.
    faults = list(dict.fromkeys(f for x in covers for f in rule_faults(x, slack_days, at_most_days, _WHERE)))
    if len(covers) > MOST_RULES:
        faults.append(Fault("", _WHERE, "cover", f"{len(covers)} rules", f"at most {MOST_RULES}"))
    if not faults:
        faults = same_rules([HoldRule(x, slack_days, at_most_days) for x in covers], _WHERE)
    faults += life_faults(_WHERE, 1 + len(covers), "rules", months, replications, seed)
    if faults:
        raise FaultyInput(faults)
    params = {
        "covers": list(covers),
        "slack_days": slack_days,
        "at_most_days": at_most_days,
        "months": months,
        "replications": replications,
        "seed": seed,
    }
    return ask_job(desk, actor, JobKind.HOLD, params, once)


def worlds_of(params: Mapping[str, Any]) -> tuple[World, ...]:
    """The network as it is under never holding and under each rule of a job."""
    return tuple(World(BASE, habits_of(rule)) for rule in named_rules(_settings(params).rules).values())


def result_of(work: Work, job: JobRecord) -> Mapping[str, Any]:
    """What a trial came to, from the lives that are kept."""
    lived = work.jobs.lives(job.job_id)
    tuning, currency = _tuning(job, lived), str(job.params["currency"])
    told: dict[str, Any] = {"lives": len(lived), "trial": None}
    if tuning is None:
        return told
    return told | {"trial": as_values(tuning, currency), "rows": table_rows(tuning, currency)}


def hold_trial_csv(desk: Desk, actor: Actor, job_id: str, table: str) -> str:
    """Figures of the rules or of every replication. Raises NotFound for a job that is none or has fewer than two."""
    require(actor, Operation.SEE_WHAT_IFS)
    get_job(desk, actor, job_id)
    with desk.store.look() as work:
        job, lived = work.jobs.get(job_id), work.jobs.lives(job_id)
    assert job is not None
    tuning = _tuning(job, lived) if job.kind is JobKind.HOLD else None
    if tuning is None or table not in TABLES:
        raise NotFound(f"no trial of rules {job_id}, or fewer than two replications of it")
    if table == "rules":
        return rules_csv(tuning, str(job.params["currency"]))
    names = list(named_rules(_settings(job.params).rules))
    cells: list[list[Cell]] = [[names[x.scenario], x.number, *(x.figures[name] for name in FIGURES)] for x in lived]
    return csv_text(["rule", "replication", *FIGURES], cells)


def _settings(params: Mapping[str, Any]) -> HoldSettings:
    slack_days, at_most_days = float(params["slack_days"]), int(params["at_most_days"])
    rules = tuple(HoldRule(float(x), slack_days, at_most_days) for x in params["covers"])
    return HoldSettings(rules, float(params["months"]), int(params["replications"]), int(params["seed"]))


def _tuning(job: JobRecord, lived: Sequence[LifeRecord]) -> HoldTuning | None:
    """None while fewer than two replications under every rule are there."""
    settings = _settings(job.params)
    found = study_of(lived, list(named_rules(settings.rules)), settings.replications, settings.seed)
    return None if found is None else rules_beside(settings, *found)
