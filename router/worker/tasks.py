"""What each kind of job asks of the solving process, and what is kept of its answers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from router.domain.network import Scenario
from router.domain.result import Result
from router.planning import RunParams
from router.service.desk import Desk
from router.service.plans import NewPlan, keep_plan, plan_in_full
from router.service.ports import Work
from router.service.records import JobKind, JobRecord
from router.service.snapshot import Snapshot, snapshot
from router.worker.messages import ElsewhereAsked, SolveAsked, Solved


class Task(Protocol):
    """A job's question, and its answers on their way into the store."""

    @property
    def asked(self) -> SolveAsked | ElsewhereAsked: ...

    def keep(self, work: Work, now: datetime, job: JobRecord, solved: Sequence[Solved]) -> Mapping[str, Any]:
        """Keep plans in a transaction under way; what the job says of its result."""
        ...


def task_of(desk: Desk, job: JobRecord) -> Task:
    """What a job is about. Raises PlatewrightError when it cannot be asked as the book is now."""
    if job.kind is JobKind.PLAN:
        return _PlanTask(snapshot(desk), _params(job))
    plan = plan_in_full(desk, int(job.params["plan_id"]))
    return _ElsewhereTask(plan.scenario, plan.result, plan.models, plan.head.book_revision, job)


def _params(job: JobRecord) -> RunParams:
    told = job.params
    return RunParams(seed=int(told["seed"]), seconds=float(told["seconds"]), workers=int(told.get("workers", 1)))


@dataclass(frozen=True, slots=True)
class _PlanTask:
    shot: Snapshot
    params: RunParams

    @property
    def asked(self) -> SolveAsked:
        return SolveAsked(self.shot.scenario, self.params)

    def keep(self, work: Work, now: datetime, job: JobRecord, solved: Sequence[Solved]) -> Mapping[str, Any]:
        answer = solved[-1]
        assert answer.result is not None
        new = NewPlan(
            result=answer.result,
            scenario=self.shot.scenario,
            models=self.shot.models,
            findings=answer.findings,
            checks=answer.checks,
            book_revision=self.shot.book_revision,
            currency=self.shot.scenario.network.currency,
            how="optimizer",
            made_by=job.asked_by,
            note=str(job.params.get("note", "")),
            job_id=job.job_id,
        )
        return {"plan_id": keep_plan(work, now, new).plan_id}


@dataclass(frozen=True, slots=True)
class _ElsewhereTask:
    scenario: Scenario
    result: Result
    models: Mapping[str, str]
    book_revision: int
    job: JobRecord

    @property
    def asked(self) -> ElsewhereAsked:
        told = self.job.params
        return ElsewhereAsked(
            self.scenario, self.result, str(told["line_id"]), float(told["seconds"]), int(told["seed"])
        )

    def keep(self, work: Work, now: datetime, job: JobRecord, solved: Sequence[Solved]) -> Mapping[str, Any]:
        line_id = str(job.params["line_id"])
        base = next((s.result.kpis.landed_cents for s in solved if not s.label and s.result), None)
        sites = []
        for answer in solved:
            told: dict[str, Any] = {"site_id": answer.label, "reasons": list(answer.reasons), "plan_id": None}
            if answer.result is not None:
                where = f"line {line_id} at {answer.label}" if answer.label else "solved on as it is"
                new = NewPlan(
                    result=answer.result,
                    scenario=self.scenario,
                    models=self.models,
                    findings=answer.findings,
                    checks=answer.checks,
                    book_revision=self.book_revision,
                    currency=self.scenario.network.currency,
                    how=where,
                    made_by=job.asked_by,
                    parent=int(job.params["plan_id"]),
                )
                landed = answer.result.kpis.landed_cents
                told |= {
                    "plan_id": keep_plan(work, now, new).plan_id,
                    "landed_cents": landed,
                    "late_days": answer.result.kpis.late_days,
                    "difference_cents": None if base is None else landed - base,
                }
            sites.append(told)
        return {"line_id": line_id, "sites": sites}
