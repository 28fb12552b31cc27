"""What is hidden is worked out of a book that holds whatever is shown, also while others store hidden things."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest
from api_client import small_desk
from desk_builder import SMALL, an_actor, desk_on

from router.service.book import get_line
from router.service.desk import Desk, Memory
from router.service.events import events_of_build, latest_events, list_events
from router.service.imports import preview_files, store_import
from router.service.jobs import ask_plan, get_job, job_head, list_jobs, points
from router.service.models import list_models
from router.service.network import current_network, editions, save_network
from router.service.plans import list_plans
from router.service.ports import PlanBody, Work
from router.service.records import (
    Actor,
    EventKind,
    EventRecord,
    JobPoint,
    PlanHead,
    PlanStanding,
    Role,
)
from router.service.trail import line_history, list_trail
from router.store import SqlStore, open_store

JOB, BUILD = "a" * 32, "x-b1"
MOST_LOOKS = 8
READS: dict[str, Callable[[Desk, Actor], object]] = {
    "models": list_models,
    "trail": list_trail,
    "history": lambda desk, actor: line_history(desk, actor, "1002-1"),
    "runs": list_jobs,
    "run": lambda desk, actor: get_job(desk, actor, JOB),
    "head": lambda desk, actor: job_head(desk, actor, JOB),
    "points": lambda desk, actor: points(desk, actor, JOB),
    "plans": list_plans,
    "editions": editions,
    "events": list_events,
    "latest": latest_events,
    "build": lambda desk, actor: events_of_build(desk, actor, BUILD),
    "line": lambda desk, actor: get_line(desk, actor, "1002-1"),
}


class Meanwhile:
    """A store in which something happens right after somebody has looked for the n-th time."""

    def __init__(self, desk: Desk, n: int, happens: Callable[[], None]) -> None:
        self._store, self._left, self._happens = desk.store, n, happens

    @contextmanager
    def look(self) -> Iterator[Work]:
        with self._store.look() as work:
            yield work
        self._left -= 1
        if self._left == 0:
            self._happens()

    def begin(self) -> AbstractContextManager[Work]:
        return self._store.begin()

    def ready(self) -> bool:
        return self._store.ready()

    @property
    def happened(self) -> bool:
        return self._left <= 0


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """The small book, a run and a plan."""
    made = small_desk(tmp_path)
    boss = an_actor(made, "boss", Role.ADMINISTRATOR, codes=("ITAR",))
    asked = ask_plan(made, boss, seconds=1)
    with made.store.begin() as work:
        work.jobs.add(replace(asked, job_id=JOB))
        work.plans.add(head_noted(made, ""), PlanBody("{}", "{}", (), 0).packed())
    return made


def copy_of(desk: Desk, folder: Path) -> Desk:
    folder.mkdir()
    book = folder / "book.db"
    shutil.copy(desk.cache_dir.parent / "book.db", book)
    return desk_on(open_store(f"sqlite:///{book}"), desk.cache_dir)


def head_noted(desk: Desk, note: str) -> PlanHead:
    return PlanHead(
        plan_id=0,
        standing=PlanStanding.PROPOSED,
        book_revision=1,
        scenario_fingerprint="f",
        made_at=desk.clock(),
        made_by="boss",
        how="optimizer",
        note=note,
        parent=None,
        job_id=None,
        currency="EUR",
        kpis={},
        bound_cents=None,
        gap=None,
        findings=0,
    )


def something_secret(desk: Desk) -> None:
    """A controlled line with names of its own comes, and everything speaks of it."""
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR, codes=("ITAR",))
    cells = {**get_line(desk, boss, "1005-1").cells, "line": "lurk-7", "customer": "Lurk Works", "model": "lurk.stl"}
    files = {"lurk-7.json": json.dumps([cells]).encode(), "lurk.stl": (SMALL / "models" / "ring.stl").read_bytes()}
    store_import(desk, boss, preview_files(desk, boss, files).import_id)
    network = current_network(desk, boss).record
    save_network(desk, boss, network.raw + b"\n", network.version, "for Lurk Works")
    with desk.store.begin() as work:
        job = work.jobs.get(JOB)
        line = work.lines.get("1002-1")
        assert job is not None and line is not None
        work.lines.change(replace(line, why_held="waits for lurk-7"), line.version)
        work.revision.raise_it()
        work.jobs.keep(replace(job, why="Lurk Works", phase="line lurk-7"))
        work.jobs.add(replace(job, job_id="b" * 32, params={**job.params, "note": "lurk.stl", "line_id": "lurk-7"}))
        work.jobs.add_points([JobPoint(JOB, 1, "phase", 1.0, None, "line lurk-7")])
        work.plans.add(head_noted(desk, "with lurk-7"), PlanBody("{}", "{}", (), 0).packed())
        work.trail.add(desk.clock(), "boss", "hold", "lurk-7", {})
        work.trail.add(desk.clock(), "boss", "hold", "1002-1", {"why": "waits for lurk-7"})
        now = desk.clock()
        details = {"pieces": {"lurk-7": 1}, "note": "Lurk Works"}
        work.events.add(EventRecord(0, EventKind.PIECES_SCRAPPED, now, now, "boss", "OHIO", "b1", details, BUILD))


@pytest.mark.parametrize("name", READS)
def test_what_comes_while_somebody_reads_is_hidden_or_not_there_yet(desk: Desk, tmp_path: Path, name: str) -> None:
    paul = an_actor(desk, "paul", Role.PLANNER)
    assert isinstance(desk.store, SqlStore)
    desk.store.close()
    for n in range(1, MOST_LOOKS):
        fresh = copy_of(desk, tmp_path / str(n))
        store = Meanwhile(fresh, n, partial(something_secret, fresh))
        # What the reader remembers is made while it looks; whoever waits for that could not be waited for.
        told = repr(READS[name](replace(fresh, store=store, memory=Memory()), paul))
        assert "lurk" not in told.casefold(), (n, told)
        if not store.happened:
            assert n > 1
            break
    else:
        pytest.fail("it looks oftener than the test does")
    something_secret(fresh)
    boss = an_actor(fresh, "boss", Role.ADMINISTRATOR, codes=("ITAR",))
    assert "lurk" in repr(READS[name](fresh, boss)).casefold(), "else there was nothing to hide"
