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
from api_client import planned_desk, small_desk
from desk_builder import SMALL, an_actor, desk_on

from router.kernel.faults import Conflict, FaultyInput, NotFound
from router.service import plans
from router.service.book import get_line
from router.service.comparisons import comparison_csv
from router.service.desk import Desk, Memory
from router.service.events import events_of_build, latest_events, list_events
from router.service.imports import preview_files, store_import
from router.service.jobs import ask_plan, get_job, job_head, list_jobs, points
from router.service.kept_what_ifs import add_what_if, check_what_if, get_what_if, list_what_ifs, what_if_named
from router.service.models import digest_of, list_models
from router.service.network import current_network, editions, save_network
from router.service.plans import accept, list_plans, live_in_full
from router.service.ports import PlanBody, Work
from router.service.records import (
    Actor,
    EventKind,
    EventRecord,
    JobKind,
    JobPoint,
    LifeRecord,
    PlanHead,
    PlanStanding,
    Role,
)
from router.service.site_choices import site_choice_csv
from router.service.trail import line_history, list_trail
from router.service.visible import RESTRICTED_TEXT
from router.store import SqlStore, open_store
from router.web.part_picture import part_picture
from router.whatif.rolling.figures import FIGURES

JOB, BUILD = "a" * 32, "x-b1"
SITED, COMPARED = "c" * 32, "d" * 32
WHAT_IF = """format: platewright what-if 1
name: {0}
changes:
  - {{change: change_carrier, why: '{0}', price_factor: 3}}
"""
ABOVE = WHAT_IF.format("Above").replace("name", "on: one.yaml\nname", 1).encode()
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
    "what-ifs": list_what_ifs,
    "what-if": lambda desk, actor: get_what_if(desk, actor, 1),
    "by file": lambda desk, actor: what_if_named(desk, actor, "one.yaml"),
    "checked": lambda desk, actor: check_what_if(desk, actor, "above.yaml", ABOVE),
    "added": lambda desk, actor: add_what_if(desk, actor, "above.yaml", ABOVE),
    "assignment": lambda desk, actor: site_choice_csv(desk, actor, SITED, "assignment"),
    "places": lambda desk, actor: site_choice_csv(desk, actor, SITED, "places"),
    "compared": lambda desk, actor: comparison_csv(desk, actor, COMPARED),
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
    add_what_if(made, boss, "one.yaml", WHAT_IF.format("Plain").encode())
    with made.store.begin() as work:
        work.jobs.add(replace(asked, job_id=JOB))
        work.jobs.add(replace(asked, job_id=SITED, kind=JobKind.SITES, result=sited("nobody")))
        work.jobs.add(replace(asked, job_id=COMPARED, kind=JobKind.COMPARISON, params=compared("Plain")))
        lived = (LifeRecord(COMPARED, n % 2, n // 2, "same", dict.fromkeys(FIGURES, 1.0)) for n in range(4))
        for life in lived:
            work.jobs.add_life(life)
        work.plans.add(head_noted(made, ""), PlanBody("{}", "{}", (), 0).packed())
    return made


def sited(name: str) -> dict[str, object]:
    """What came of a question where a site should stand."""
    tables = {"places": {"heading": ["Place"], "rows": [[name]]}}
    return {"tables": tables, "assignment": {"heading": ["Line", "Where", "Share"], "rows": [[name, "OHIO", "1"]]}}


def compared(name: str) -> dict[str, object]:
    """What a comparison was asked with."""
    asked = {"months": 0.5, "replications": 2, "seed": 1, "currency": "EUR"}
    return {**asked, "files": ["one.yaml"], "names": [name], "texts": {"one.yaml": WHAT_IF.format(name)}}


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
        for other, changes in ((SITED, {"result": sited("lurk-7")}), (COMPARED, {"params": compared("Lurk Works")})):
            kept = work.jobs.get(other)
            assert kept is not None
            work.jobs.keep(replace(kept, **changes))  # type: ignore[arg-type]
        what_if = work.what_ifs.get(1)
        assert what_if is not None
        work.what_ifs.change(replace(what_if, raw=WHAT_IF.format("Lurk Works").encode()), what_if.version)
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
        told = asked(name, replace(fresh, store=store, memory=Memory()), paul)
        assert "lurk" not in told.casefold(), (n, told)
        if not store.happened:
            assert n > 1
            break
    else:
        pytest.fail("it looks oftener than the test does")
    something_secret(fresh)
    boss = an_actor(fresh, "boss", Role.ADMINISTRATOR, codes=("ITAR",))
    told = asked("checked" if name == "added" else name, fresh, boss)
    assert "lurk" in told.casefold(), "else there was nothing to hide"


def asked(name: str, desk: Desk, actor: Actor) -> str:
    """What a use case tells, also where it refuses."""
    try:
        return repr(READS[name](desk, actor))
    except (NotFound, FaultyInput, Conflict) as refused:
        return str(refused)


def test_the_picture_of_a_part_is_of_what_the_line_was_while_it_was_seen(desk: Desk, tmp_path: Path) -> None:
    paul = an_actor(desk, "paul", Role.PLANNER)
    assert isinstance(desk.store, SqlStore)
    before = part_picture(desk, paul, "1002-1")
    assert not before.controlled
    desk.store.close()
    other = (SMALL / "models" / "ring.stl").read_bytes()

    def controlled(fresh: Desk) -> None:
        with fresh.store.begin() as work:
            line = work.lines.get("1002-1")
            assert line is not None and line.model != "ring.stl"
            record = work.models.by_name(line.model)
            assert record is not None
            work.models.put(replace(record, sha256=digest_of(other)), other)
            work.lines.change(replace(line, export_control="ITAR"), line.version)
            work.revision.raise_it()

    for n in range(1, MOST_LOOKS):
        fresh = copy_of(desk, tmp_path / str(n))
        store = Meanwhile(fresh, n, partial(controlled, fresh))
        try:
            found: object = part_picture(replace(fresh, store=store, memory=Memory()), paul, "1002-1")
        except NotFound:
            found = None
        assert found in (None, before), n
        if not store.happened:
            assert n > 1 and found == before
            break
    else:
        pytest.fail("it looks oftener than the test does")
    boss = an_actor(fresh, "boss", Role.ADMINISTRATOR, codes=("ITAR",))
    controlled(fresh)
    now = part_picture(fresh, boss, "1002-1")
    assert now.controlled and now.svg != before.svg


def test_why_a_plan_cannot_go_live_is_told_of_a_book_that_holds_what_it_names(
    planned: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = planned_desk(planned, tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR, codes=("ITAR",))
    paul = an_actor(desk, "paul", Role.PLANNER)
    live = live_in_full(desk).head
    with desk.store.begin() as work:
        work.plans.stand(live.plan_id, PlanStanding.SUPERSEDED, live.version)

    def reasons(work: Work, *_: object) -> None:
        if work.lines.get("lurk-7") is not None:
            raise Conflict("of lurk-7 two pieces are built already")

    monkeypatch.setattr(plans, "_refuse_what_has_started", reasons)
    cells = {
        **get_line(desk, boss, "1005-1").cells,
        "line": "lurk-7",
        "customer": "Lurk Works",
        "export_control": "ITAR",
    }
    preview = preview_files(desk, boss, {"orders.json": json.dumps([cells]).encode()})
    assert isinstance(desk.store, SqlStore)
    desk.store.close()
    said: list[str] = []
    for n in range(1, MOST_LOOKS):
        folder = tmp_path / str(n)
        folder.mkdir()
        shutil.copy(tmp_path / "book.db", folder / "book.db")
        fresh = desk_on(open_store(f"sqlite:///{folder / 'book.db'}"), desk.cache_dir)
        store = Meanwhile(fresh, n, partial(store_import, fresh, boss, preview.import_id))
        try:
            accept(replace(fresh, store=store, memory=Memory()), paul, live.plan_id, live.version + 1)
        except Conflict as refused:
            said.append(str(refused))
        if not store.happened:
            break
    assert said and set(said) == {RESTRICTED_TEXT}
