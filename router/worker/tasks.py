"""What each kind of job asks of the solving process, and what is kept of its answers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from functools import partial
from typing import Any, Protocol

from router.domain.network import Scenario
from router.domain.plan import Plan
from router.domain.result import Result
from router.domain.siting import SitingQuestion
from router.planning import RunParams
from router.planning.disturbance import disturbance
from router.service import comparisons, hold_trials
from router.service.desk import Desk
from router.service.floor import begun_of, floor_now
from router.service.going_on import GoingOn, going_on, with_ids_of
from router.service.history import history_of_job, open_history
from router.service.jobs import FROM_NOW, KEEP_H
from router.service.lives import content_of
from router.service.pins import pins_of
from router.service.pins_kept import carry_pins
from router.service.plans import NewPlan, ReadyPlan, keep_plan, plan_in_full, ready_plan
from router.service.ports import Work
from router.service.records import JobKind, JobRecord
from router.service.site_choices import question_of
from router.service.snapshot import Snapshot, snapshot
from router.whatif.comparison.worlds import World
from router.whatif.rolling.replicate import Stretch
from router.worker.messages import (
    Answer,
    Asked,
    Chosen,
    ElsewhereAsked,
    LivesAsked,
    SitesAsked,
    SolveAsked,
    Solved,
)

Keep = Callable[[Work, datetime], Mapping[str, Any]]
"""Keeps plans in a transaction under way; what the job says of its result."""


class Task(Protocol):
    """A job's question, and its answers on their way into the store."""

    @property
    def asked(self) -> Asked: ...

    def ready(self, job: JobRecord, came: Sequence[Answer]) -> Keep:
        """Make plans ready to be kept, which may take long, before the transaction that keeps them."""
        ...


def task_of(desk: Desk, job: JobRecord) -> Task:
    """What a job is about. Raises PlatewrightError when it cannot be asked as the book is now."""
    desk = replace(desk, plans_from_now=job.params.get(FROM_NOW, desk.plans_from_now))
    if job.kind is JobKind.PLAN:
        shot = snapshot(desk)
        return _PlanTask(shot, _params(job), _begun(desk, shot, job))
    if job.kind is JobKind.COMPARISON:
        scenario = history_of_job(desk, job.job_id)
        comparisons.require_demand(job.params, scenario)
        stretch = Stretch(months=float(job.params["months"]), near_km=comparisons.near_km_of(job.params))
        worlds = tuple(World(what_if) for what_if in comparisons.what_ifs_of(job.params))
        invented = comparisons.is_invented(job.params, scenario)
        told = partial(comparisons.result_of, base=scenario.network)
        return _LivesTask(_lives_asked(desk, job, scenario, worlds, stretch), told, invented)
    if job.kind is JobKind.HOLD:
        scenario = history_of_job(desk, job.job_id)
        worlds, stretch = hold_trials.worlds_of(job.params), Stretch(months=float(job.params["months"]))
        asked = _lives_asked(desk, job, scenario, worlds, stretch)
        return _LivesTask(asked, hold_trials.result_of, scenario.network.invented)
    if job.kind is JobKind.SITES:
        scenario = open_history(desk)
        return _SitesTask(scenario, question_of(job.params, scenario.network), job)
    plan = plan_in_full(desk, int(job.params["plan_id"]))
    with desk.store.look() as work:
        begun = begun_of(floor_now(desk, work), plan.result.plan)
    # What has started is on its machine, whatever the question is; what is pinned somebody wants to stay.
    stays = tuple(sorted({*pins_of(desk, plan.head.plan_id), *begun}))
    return _ElsewhereTask(plan.scenario, plan.result, plan.models, plan.head.book_revision, job, stays)


def _lives_asked(
    desk: Desk, job: JobRecord, scenario: Scenario, worlds: tuple[World, ...], stretch: Stretch
) -> LivesAsked:
    with desk.store.begin() as work:
        lived = work.jobs.lives(job.job_id, content_of(scenario))
    told = job.params
    there = frozenset((x.number, x.scenario) for x in lived)
    return LivesAsked(scenario, worlds, stretch, int(told["replications"]), int(told["seed"]), there)


def _begun(desk: Desk, shot: Snapshot, job: JobRecord) -> GoingOn | None:
    if job.params.get("from_nothing"):
        return None
    keep_h = job.params.get("keep_h")
    return going_on(desk, shot.scenario.network.now, KEEP_H if keep_h is None else float(keep_h))


def _params(job: JobRecord) -> RunParams:
    told = job.params
    return RunParams(seed=int(told["seed"]), seconds=float(told["seconds"]), workers=int(told.get("workers", 1)))


@dataclass(frozen=True, slots=True)
class _PlanTask:
    shot: Snapshot
    params: RunParams
    begun: GoingOn | None

    @property
    def asked(self) -> SolveAsked:
        if self.begun is None:
            return SolveAsked(self.shot.scenario, self.params)
        return SolveAsked(self.shot.scenario, self.params, self.begun.start, self.begun.pinned, self.begun.near)

    def ready(self, job: JobRecord, came: Sequence[Answer]) -> Keep:
        answer = came[-1]
        assert isinstance(answer, Solved) and answer.result is not None
        result = answer.result
        if self.begun is not None:
            result = replace(result, plan=with_ids_of(self.begun.start, result.plan))
        new = NewPlan(
            result=result,
            scenario=self.shot.scenario,
            models=self.shot.models,
            findings=answer.findings,
            checks=answer.checks,
            book_revision=self.shot.book_revision,
            currency=self.shot.scenario.network.currency,
            how="optimizer",
            made_by=job.asked_by,
            note=str(job.params.get("note", "")),
            parent=self.begun.plan_id if self.begun else None,
            job_id=job.job_id,
        )
        return partial(self._keep, ready_plan(new), result)

    def _keep(self, ready: ReadyPlan, result: Result, work: Work, now: datetime) -> Mapping[str, Any]:
        plan_id = keep_plan(work, now, ready).plan_id
        if self.begun is None:
            return {"plan_id": plan_id, "from_plan": None}
        before, after = self.begun.start, result.plan
        carry_pins(work, now, self.begun.plan_id, before, plan_id, after)
        return {
            "plan_id": plan_id,
            "from_plan": self.begun.plan_id,
            "pinned": len(self.begun.pinned),
            "near": len(self.begun.near),
            "disturbance": asdict(disturbance(before, after)),
            "left_out": list(result.left_out),
        }


@dataclass(frozen=True, slots=True)
class _ElsewhereTask:
    scenario: Scenario
    result: Result
    models: Mapping[str, str]
    book_revision: int
    job: JobRecord
    stays: tuple[str, ...]
    """Builds that have started or are pinned."""

    @property
    def asked(self) -> ElsewhereAsked:
        told = self.job.params
        return ElsewhereAsked(
            self.scenario, self.result, str(told["line_id"]), float(told["seconds"]), int(told["seed"]), self.stays
        )

    def ready(self, job: JobRecord, came: Sequence[Answer]) -> Keep:
        solved = [x for x in came if isinstance(x, Solved)]
        line_id = str(job.params["line_id"])
        base = next((s.result.kpis.landed_cents for s in solved if not s.label and s.result), None)
        parent = int(job.params["plan_id"])
        sites: list[tuple[dict[str, Any], _Tried | None]] = []
        for answer in solved:
            tried = None
            told: dict[str, Any] = {"site_id": answer.label, "reasons": list(answer.reasons), "plan_id": None}
            if answer.result is not None:
                result = replace(answer.result, plan=with_ids_of(self.result.plan, answer.result.plan))
                where = f"line {line_id} at {answer.label}" if answer.label else "solved on as it is"
                new = NewPlan(
                    result=result,
                    scenario=self.scenario,
                    models=self.models,
                    findings=answer.findings,
                    checks=answer.checks,
                    book_revision=self.book_revision,
                    currency=self.scenario.network.currency,
                    how=where,
                    made_by=job.asked_by,
                    parent=parent,
                )
                landed = answer.result.kpis.landed_cents
                tried = _Tried(ready_plan(new), result.plan)
                told |= {
                    "landed_cents": landed,
                    "late_days": answer.result.kpis.late_days,
                    "difference_cents": None if base is None else landed - base,
                }
            sites.append((told, tried))

        def keep(work: Work, now: datetime) -> Mapping[str, Any]:
            for told, tried in sites:
                if tried is not None:
                    told["plan_id"] = keep_plan(work, now, tried.ready).plan_id
                    carry_pins(work, now, parent, self.result.plan, told["plan_id"], tried.plan)
            return {"line_id": line_id, "sites": [told for told, _ in sites]}

        return keep


@dataclass(frozen=True, slots=True)
class _Tried:
    """A plan with the line at a site."""

    ready: ReadyPlan
    plan: Plan


@dataclass(frozen=True, slots=True)
class _LivesTask:
    asked: LivesAsked
    result_of: Callable[[Work, JobRecord], Mapping[str, Any]]
    """What the lives that are kept come to."""
    invented: bool

    def ready(self, job: JobRecord, came: Sequence[Answer]) -> Keep:
        return lambda work, _: {**self.result_of(work, job), "invented": self.invented}


@dataclass(frozen=True, slots=True)
class _SitesTask:
    scenario: Scenario
    question: SitingQuestion
    job: JobRecord

    @property
    def asked(self) -> SitesAsked:
        told = self.job.params
        return SitesAsked(
            self.scenario,
            self.question,
            int(told["sites"]),
            float(told["seconds"]),
            int(told["seed"]),
            self.job.job_id,
        )

    def ready(self, job: JobRecord, came: Sequence[Answer]) -> Keep:
        answer = came[-1]
        assert isinstance(answer, Chosen)
        return lambda *_: answer.result
