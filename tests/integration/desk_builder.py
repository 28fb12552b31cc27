"""A desk with people, and the small scenario in it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import scenarios
from router.kernel.private_files import make_folder
from router.service.desk import Desk
from router.service.imports import preview_folder, store_import
from router.service.jobs import get_job
from router.service.ports import Work
from router.service.records import Actor, JobRecord, JobStanding, Person, Role
from router.store import SqlStore
from router.worker import Worker

SMALL = Path(scenarios.__file__).parent / "small"
_MEASURED: dict[str, bytes] = {}
"""What is remembered of the small scenario's models, by name of the file."""


@dataclass
class Clock:
    """A clock that moves when told."""

    now: datetime = field(default_factory=lambda: datetime(2026, 3, 2, 8, tzinfo=UTC))

    def __call__(self) -> datetime:
        return self.now

    def pass_s(self, seconds: float) -> None:
        self.now += timedelta(seconds=seconds)


def desk_on(store: SqlStore, cache_dir: Path, clock: Clock | None = None) -> Desk:
    """A desk on a store."""
    desk = Desk(store, cache_dir)
    return replace(desk, clock=clock) if clock else desk


def an_actor(desk: Desk, name: str, role: Role, sites: tuple[str, ...] = (), codes: tuple[str, ...] = ()) -> Actor:
    """Somebody with a log-in, made when not there."""
    with desk.store.begin() as work:
        known = work.people.named(name)
        person = (
            known[0] if known else work.people.add(Person(0, name, role, frozenset(sites), frozenset(codes)), "none")
        )
    return Actor(person)


def whole_jobs(work: Work, limit: int) -> list[JobRecord]:
    """The jobs asked for last, whole, the last one first."""
    found = [work.jobs.get(head.job_id) for head in work.jobs.heads(None, limit)]
    return [job for job in found if job is not None]


def with_small_book(desk: Desk, actor: Actor) -> None:
    """Import the small scenario, whose models are measured once."""
    measured = desk.cache_dir / "measured"
    make_folder(measured)
    for name, entry in _MEASURED.items():
        (measured / name).write_bytes(entry)
    preview = preview_folder(desk, actor, SMALL)
    assert preview.storable, [f.sentence() for f in preview.faults]
    store_import(desk, actor, preview.import_id)
    _MEASURED.update((entry.name, entry.read_bytes()) for entry in measured.iterdir())


def worked_off(desk: Desk, actor: Actor, job_id: str) -> JobRecord:
    """A job that is next in the queue, done by a worker."""
    assert Worker(desk).once()
    job = get_job(desk, actor, job_id)
    assert job.standing is JobStanding.DONE, job.why
    return job
