"""Jobs as rows: claimed by one worker at a time, given up by silence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql

from router.kernel.packing import packed, unpacked
from router.service.ports import LONG_PARAMS, JobPlace
from router.service.records import JobKind, JobPoint, JobRecord, JobStanding, LifeRecord
from router.store.rows import Rows
from router.store.tables import Json, job_points, job_scenarios, jobs, lives

_WORKED_ON = (JobStanding.RUNNING.value, JobStanding.STOPPING.value)
_CAN_WAIT = (JobKind.COMPARISON.value, JobKind.HOLD.value, JobKind.SITES.value)
"""The shop does not stand still for them: plans come first, whoever asked before."""
_GIVES_WAY = (JobKind.COMPARISON.value, JobKind.HOLD.value)
"""Of these what is done is kept piece by piece, so that they can be broken off for a plan; a choice of sites begins
anew, and does so on every attempt but its last."""
_BEGINNING = "beginning"
"""What a worker does until it reports: not waiting any more."""
_OUT_OF_ATTEMPTS = "its worker fell silent {n} times; the book may be too large for the memory here"

_LONG = ("array", "object")
"""Kinds of JSON values that a head of a job is without, by the names both databases have for them."""
_LONGEST_PHASE = 200
"""Characters of its column."""


class JobRows(Rows):
    """See service.ports.Jobs."""

    def add(self, job: JobRecord) -> None:
        self._connection.execute(jobs.insert().values(_values(job)))

    def get(self, job_id: str) -> JobRecord | None:
        row = self._one(sa.select(jobs).where(jobs.c.job_id == job_id))
        return _job(row) if row else None

    def head(self, job_id: str) -> JobRecord | None:
        row = self._one(self._heads().where(jobs.c.job_id == job_id))
        return _job(row) if row else None

    def heads(self, before: JobPlace | None, limit: int) -> list[JobRecord]:
        query = self._heads().order_by(jobs.c.asked_at.desc(), jobs.c.job_id.desc()).limit(limit)
        if before is not None:
            asked_at, job_id = before
            same = sa.and_(jobs.c.asked_at == asked_at, jobs.c.job_id < job_id)
            query = query.where(sa.or_(jobs.c.asked_at < asked_at, same))
        return [_job(row) for row in self._many(query)]

    def _heads(self) -> sa.Select[Any]:
        """Jobs, cut short by the database: what may be long is neither sent nor read."""
        short = {"params": self._without_long_params(), "result": self._single_values()}
        return sa.select(*(short[c.name].label(c.name) if c.name in short else c for c in jobs.c))

    def _without_long_params(self) -> sa.ColumnElement[Any]:
        if self._on_postgres:
            names = sa.cast(list(LONG_PARAMS), postgresql.ARRAY(sa.Text))
            return sa.type_coerce(jobs.c.params.op("-")(names), Json)
        return sa.func.json_remove(jobs.c.params, *(f"$.{name}" for name in LONG_PARAMS), type_=Json)

    def _single_values(self) -> sa.ColumnElement[Any]:
        if self._on_postgres:
            each = sa.func.jsonb_each(jobs.c.result).table_valued(sa.column("key"), sa.column("value", Json))
            long = sa.func.jsonb_typeof(each.c.value).in_(_LONG)
            names = sa.select(sa.func.array_agg(each.c.key)).where(long).scalar_subquery()
            nothing = sa.cast([], postgresql.ARRAY(sa.Text))
            return sa.type_coerce(jobs.c.result.op("-")(sa.func.coalesce(names, nothing)), Json)
        each = sa.func.json_each(jobs.c.result).table_valued("key", "type")
        # A merge patch (RFC 7396) takes out what it names with null, and leaves the rest as it is written.
        taken_out = sa.select(sa.func.json_group_object(each.c.key, sa.null())).where(each.c.type.in_(_LONG))
        return sa.func.json_patch(jobs.c.result, taken_out.scalar_subquery(), type_=Json)

    def claim(self, worker: str, now: datetime, lease_s: float, most_attempts: int) -> JobRecord | None:
        silent = _silent(now - timedelta(seconds=lease_s))
        query = (
            sa.select(jobs)
            .where(sa.or_(jobs.c.standing == JobStanding.QUEUED.value, silent))
            .order_by(sa.case((jobs.c.kind.in_(_CAN_WAIT), 1), else_=0), jobs.c.asked_at, jobs.c.job_id)
            .limit(1)
            # On PostgreSQL workers pass over rows another is just claiming; SQLite has one writer at a time anyway.
            .with_for_update(skip_locked=True)
        )
        row = self._one(query)
        if row is None:
            return None
        job = _job(row)
        if job.standing is JobStanding.STOPPING or job.attempt >= most_attempts:
            given_up = job.standing is JobStanding.STOPPING
            stopped = f"{job.why or 'stopped'}; its worker was lost"
            why = stopped if given_up else _OUT_OF_ATTEMPTS.format(n=job.attempt)
            end = (JobStanding.CANCELLED if given_up else JobStanding.FAILED).value
            ended = {"standing": end, "phase": end, "ended_at": now, "why": why, "claimed_by": None}
            self._update(job.job_id, ended)
            return self.claim(worker, now, lease_s, most_attempts)
        values = {
            "standing": JobStanding.RUNNING.value,
            "claimed_by": worker,
            "heartbeat_at": now,
            "attempt": job.attempt + 1,
            "started_at": now,
            "phase": _BEGINNING,
            # What an earlier attempt said of itself is not said of this one.
            "why": "",
        }
        self._update(job.job_id, values)
        return self.get(job.job_id)

    def must_give_way(self, job_id: str, now: datetime, lease_s: float, free_s: float, most_attempts: int) -> bool:
        since = now - timedelta(seconds=free_s)
        queued = sa.and_(jobs.c.standing == JobStanding.QUEUED.value, jobs.c.asked_at <= since)
        waits = sa.or_(queued, _silent(since - timedelta(seconds=lease_s)))
        waiting = self._many(sa.select(jobs.c.job_id).where(jobs.c.kind.not_in(_CAN_WAIT), waits))
        if not waiting:
            return False
        anew = sa.and_(jobs.c.kind == JobKind.SITES.value, jobs.c.attempt < most_attempts)
        giving = (
            sa.select(jobs.c.job_id)
            .where(sa.or_(jobs.c.kind.in_(_GIVES_WAY), anew), jobs.c.standing == JobStanding.RUNNING.value)
            .order_by(sa.case((anew, 1), else_=0), jobs.c.asked_at.desc(), jobs.c.job_id)
            .limit(len(waiting))
        )
        return job_id in {row["job_id"] for row in self._many(giving)}

    def beat(self, job_id: str, worker: str, now: datetime) -> JobStanding | None:
        done = self._connection.execute(
            jobs.update()
            .where(jobs.c.job_id == job_id, jobs.c.claimed_by == worker, jobs.c.standing.in_(_WORKED_ON))
            .values(heartbeat_at=now)
        )
        if done.rowcount == 0:
            return None
        job = self.get(job_id)
        return job.standing if job else None

    def ask_to_stop(self, job_id: str, now: datetime, why: str, lease_s: float) -> bool:
        silent = _silent(now - timedelta(seconds=lease_s))
        nobodys = sa.or_(jobs.c.standing == JobStanding.QUEUED.value, silent)
        cancelled = JobStanding.CANCELLED.value
        # One statement: it waits for a worker that is just writing the row and then goes by what that one wrote.
        done = self._connection.execute(
            jobs.update()
            .where(
                jobs.c.job_id == job_id,
                sa.or_(nobodys, jobs.c.standing == JobStanding.RUNNING.value),
            )
            .values(
                standing=sa.case((nobodys, cancelled), else_=JobStanding.STOPPING.value),
                phase=sa.case((nobodys, cancelled), else_=jobs.c.phase),
                claimed_by=sa.case((nobodys, None), else_=jobs.c.claimed_by),
                ended_at=sa.case((nobodys, now), else_=jobs.c.ended_at),
                why=sa.case((silent, f"{why}; its worker was lost"), else_=why),
            )
        )
        self._drop_scenario(job_id)
        return done.rowcount == 1

    def keep(self, job: JobRecord) -> None:
        self._update(job.job_id, _values(job))

    def add_points(self, points: Sequence[JobPoint]) -> None:
        if points:
            self._connection.execute(job_points.insert(), [asdict(p) for p in points])

    def points(self, job_id: str, after: int, limit: int) -> list[JobPoint]:
        query = sa.select(job_points).where(job_points.c.job_id == job_id, job_points.c.number > after)
        return [JobPoint(**row) for row in self._many(query.order_by(job_points.c.number).limit(limit))]

    def latest_points(self, job_id: str, limit: int) -> list[JobPoint]:
        query = sa.select(job_points).where(job_points.c.job_id == job_id)
        last = self._many(query.order_by(job_points.c.number.desc()).limit(limit))
        return [JobPoint(**row) for row in reversed(last)]

    def add_life(self, life: LifeRecord) -> None:
        self._connection.execute(lives.insert().values({**asdict(life), "figures": dict(life.figures)}))

    def has_life(self, job_id: str, scenario: int, number: int) -> bool:
        key = sa.and_(lives.c.job_id == job_id, lives.c.scenario == scenario, lives.c.number == number)
        return self._one(sa.select(lives.c.number).where(key)) is not None

    def lives(self, job_id: str, content: str | None = None) -> list[LifeRecord]:
        own = lives.c.job_id == job_id
        if content is not None:
            self._connection.execute(lives.delete().where(own, lives.c.content != content))
        query = sa.select(lives).where(own).order_by(lives.c.number, lives.c.scenario)
        return [LifeRecord(**row) for row in self._many(query)]

    def keep_scenario(self, job_id: str, text: str) -> None:
        self._connection.execute(job_scenarios.insert().values(job_id=job_id, scenario=packed(text)))

    def scenario(self, job_id: str) -> str | None:
        row = self._one(sa.select(job_scenarios).where(job_scenarios.c.job_id == job_id))
        return unpacked(row["scenario"]) if row else None

    def _drop_scenario(self, job_id: str) -> None:
        """Of a job that has ended: nobody takes it up again."""
        over = [x.value for x in JobStanding if x.ended]
        ended = sa.select(jobs.c.job_id).where(jobs.c.job_id == job_id, jobs.c.standing.in_(over))
        self._connection.execute(job_scenarios.delete().where(job_scenarios.c.job_id.in_(ended)))

    def _update(self, job_id: str, values: dict[str, Any]) -> None:
        self._connection.execute(jobs.update().where(jobs.c.job_id == job_id).values(values))
        if "standing" in values:
            self._drop_scenario(job_id)


def _silent(since: datetime) -> sa.ColumnElement[bool]:
    return sa.and_(jobs.c.standing.in_(_WORKED_ON), jobs.c.heartbeat_at < since)


def _values(job: JobRecord) -> dict[str, Any]:
    return {
        **asdict(job),
        "phase": job.phase[:_LONGEST_PHASE],  # names of people's things may stand in it; PostgreSQL takes no longer one
        "kind": job.kind.value,
        "standing": job.standing.value,
        "params": dict(job.params),
        "result": dict(job.result),
    }


def _job(row: Any) -> JobRecord:
    return JobRecord(**{**row, "kind": JobKind(row["kind"]), "standing": JobStanding(row["standing"])})
