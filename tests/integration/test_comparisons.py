"""Comparisons as jobs: what came is kept life by life, over kills and stops; the same figures as without."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from api_client import client_of, small_desk
from desk_builder import Clock, an_actor, desk_on, with_small_book, worked_off
from whole_site import peopled_desk, signed_in, token_on

from router.kernel.faults import FaultyInput, NotFound, Refused
from router.service.book import withdraw
from router.service.comparisons import ask_comparison, comparison_csv, result_of, what_ifs_of
from router.service.desk import Desk
from router.service.events import record_event
from router.service.history import open_history
from router.service.jobs import ask_plan, get_job, list_jobs, stop
from router.service.kept_what_ifs import add_what_if, change_what_if, delete_what_if
from router.service.lives import life_faults, study_of
from router.service.ports import Work
from router.service.receipts import Once
from router.service.records import Actor, EventKind, JobRecord, JobStanding, LifeRecord, Role
from router.service.snapshot import snapshot
from router.service.trail import list_trail
from router.store import SqlStore
from router.store.job_rows import JobRows
from router.whatif.rolling.figures import FIGURES
from router.worker import Worker
from router.worker import loop as worker_loop
from router.worker.messages import Life
from router.worker.tasks import Task

CARBON = b"format: platewright what-if 1\nname: Carbon\nchanges:\n  - {change: carbon_price, per_tonne: 200}\n"
TEXT = (
    b"format: platewright what-if 1\nname: Freight\nchanges:\n  - {change: change_carrier, price_factor: 3}\n"
    b"  - {change: change_rate, of: labour, site: OHIO, factor: 1}\n"
)


def asked(desk: Desk, boss: Actor) -> str:
    """A comparison of one what-if, two short replications."""
    kept = add_what_if(desk, boss, "freight.yaml", TEXT)
    return ask_comparison(desk, boss, [kept.record.what_if_id], 0.25, 2, 4).job_id


@pytest.mark.parametrize(("plans_from_now", "processes"), [(False, 1), (True, 2)])
def test_a_killed_child_loses_no_life_and_the_next_worker_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, plans_from_now: bool, processes: int
) -> None:
    clock = Clock(datetime(2027, 3, 1, 9, tzinfo=UTC))
    desk = replace(small_desk(tmp_path), clock=clock, plans_from_now=plans_from_now)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = asked(desk, boss)
    kept: list[tuple[int, int]] = []
    children: list[worker_loop._Child] = []
    made, keep = worker_loop._Child.__init__, Worker._keep_life

    def remembered(self: worker_loop._Child, asked_of: worker_loop.Asked, processes: int) -> None:
        made(self, asked_of, processes)
        children.append(self)

    def killing(self: Worker, job: object, task: Task, life: Life) -> None:
        keep(self, job, task, life)  # type: ignore[arg-type]
        kept.append((life.number, life.scenario))
        if len(kept) == 1:
            children[0]._process.kill()

    monkeypatch.setattr(worker_loop._Child, "__init__", remembered)
    monkeypatch.setattr(Worker, "_keep_life", killing)
    assert Worker(desk, processes=processes).once()
    assert get_job(desk, boss, job_id).standing is JobStanding.QUEUED
    with desk.store.look() as work:
        assert len(work.jobs.lives(job_id)) == len(kept) >= 1
        assert work.jobs.scenario(job_id)
    # Meanwhile the clock goes on, a machine goes down and a line is changed: all of it is for the next comparison.
    clock.pass_s(3_600)
    machine = snapshot(desk).scenario.network.machines[0].machine_id
    record_event(desk, boss, EventKind.MACHINE_DOWN, machine, snapshot(desk).scenario.network.now)
    withdraw(desk, boss, "1003-1", "a test", 1)
    assert Worker(desk, processes=processes).once()
    job = get_job(desk, boss, job_id)
    assert job.standing is JobStanding.DONE, job.why
    assert sorted(kept) == [(0, 0), (0, 1), (1, 0), (1, 1)], "none was lived twice"
    with desk.store.look() as work:
        assert work.jobs.scenario(job_id) is None, "nobody takes it up again"
    assert "cpu_s" not in job.result["comparison"], "what was not measured is not told as nothing"
    base, other = job.result["comparison"]["scenarios"]
    assert other["differences"]["after_cents"]["mean"] > 0 and base["differences"] == {}
    assert other["changes"][1] == "Rates for labour at Millrace works (OHIO) times 1."
    assert comparison_csv(desk, boss, job_id).count("\n") == 5
    assert comparison_csv(desk, an_actor(desk, "vic", Role.VIEWER), job_id)
    client = client_of(desk)
    table = client.get(f"/api/v1/comparisons/{job_id}/replications.csv")
    assert table.status_code == 200 and table.headers["content-type"].startswith("text/csv")


def test_a_stop_keeps_what_came(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = asked(desk, boss)
    keep = Worker._keep_life

    def stopping(self: Worker, job: object, task: Task, life: Life) -> None:
        keep(self, job, task, life)  # type: ignore[arg-type]
        if (life.number, life.scenario) == (0, 0):
            stop(desk, boss, job_id)

    monkeypatch.setattr(Worker, "_keep_life", stopping)
    assert Worker(desk).once()
    job = get_job(desk, boss, job_id)
    assert job.standing is JobStanding.DONE and "stopped by boss" in job.why
    base = snapshot(desk).scenario.network
    with desk.store.look() as work:
        assert 1 <= job.result["lives"] == len(work.jobs.lives(job_id))
        whole = work.jobs.get(job_id)
        assert whole is not None and {**result_of(work, whole, base), "invented": True} == job.result


def test_what_is_asked_wrongly_is_refused_and_hidden_lines_are_left_out(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    boss, vic = an_actor(desk, "boss", Role.ADMINISTRATOR), an_actor(desk, "vic", Role.VIEWER)
    kept = add_what_if(desk, boss, "freight.yaml", TEXT).record.what_if_id
    with pytest.raises(NotFound):
        ask_comparison(desk, boss, [99])
    with pytest.raises(FaultyInput) as faulty:
        ask_comparison(desk, boss, [], 40, 1, -1)
    assert [f.field for f in faulty.value.faults] == ["what_if_ids", "months", "replications", "seed"]
    with pytest.raises(FaultyInput, match=r"400 lives of 13\.6 months, 49 days .* at most 2,000 months lived"):
        ask_comparison(desk, boss, [kept], 12, 200)
    faults = life_faults("comparison", 9, "what-ifs", 0.25, 200, 1)
    # A quarter of a month is lived for 57 days: 28 before, 21 after, 8 that count.
    assert [f.found for f in faults] == ["1800 lives of 1.9 months, 49 days before and after included"]
    assert life_faults("comparison", 5, "what-ifs", 0.25, 200, 1) == []
    with pytest.raises(Refused):
        ask_comparison(desk, vic, [kept])
    whole = snapshot(desk).scenario
    assert 0 < len(open_history(desk).lines) < len(whole.lines)
    assert all(x.export_control is None for x in open_history(desk).lines)


def test_the_same_request_again_is_answered_as_before_though_its_what_if_is_gone(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    kept = add_what_if(desk, boss, "freight.yaml", TEXT).record
    once = Once("again", "a" * 64)
    first = ask_comparison(desk, boss, [kept.what_if_id], once=once)
    delete_what_if(desk, boss, kept.what_if_id, kept.version)
    assert ask_comparison(desk, boss, [kept.what_if_id], once=once) == first
    with pytest.raises(NotFound):
        ask_comparison(desk, boss, [kept.what_if_id])


def test_plans_are_made_before_comparisons_that_were_asked_for_earlier(store: SqlStore, tmp_path: Path) -> None:
    desk = desk_on(store, tmp_path / "cache")
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR, codes=("ITAR",))
    with_small_book(desk, boss)
    asked_for = [asked(desk, boss), ask_plan(desk, boss, seconds=1).job_id, ask_plan(desk, boss, seconds=1).job_id]
    claimed = []
    for _ in asked_for:
        with desk.store.begin() as work:
            job = work.jobs.claim("w", desk.clock(), 30.0, 3)
        assert job is not None
        claimed.append(job.job_id)
    assert claimed == [*asked_for[1:], asked_for[0]]


def test_a_what_if_that_leaves_no_order_fails_in_words(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    text = b"format: platewright what-if 1\nname: Nobody orders\nchanges:\n  - {change: demand, factor: 0}\n"
    kept = add_what_if(desk, boss, "nobody.yaml", text)
    job_id = ask_comparison(desk, boss, [kept.record.what_if_id], 0.25, 2, 4).job_id
    assert Worker(desk).once()
    job = get_job(desk, boss, job_id)
    assert job.standing is JobStanding.FAILED and "no order of the book left" in job.why
    with desk.store.look() as work:
        assert work.jobs.lives(job_id) == []


def test_only_the_texts_that_are_needed_go_along_and_none_into_the_trail(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    upon = b"on: carbon.yaml\n" + TEXT.replace(b"Freight", b"Upon")
    ids = [
        add_what_if(desk, boss, file, raw).record.what_if_id
        for file, raw in (("carbon.yaml", CARBON), ("freight.yaml", TEXT), ("upon.yaml", upon))
    ]
    asked_of = ask_comparison(desk, boss, [ids[2]])
    with desk.store.look() as work:
        job = work.jobs.get(asked_of.job_id)
    assert job is not None and set(job.params["texts"]) == {"carbon.yaml", "upon.yaml"}
    readers = (asked_of, get_job(desk, boss, asked_of.job_id), *list_jobs(desk, boss))
    assert all("texts" not in x.params for x in readers), "what-ifs are read on their own page"
    (entry,) = list_trail(desk, boss, subject=asked_of.job_id)
    assert entry.details["files"] == ["upon.yaml"] and "texts" not in entry.details


def test_what_ifs_that_are_changed_meanwhile_are_named_as_their_texts_name_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    what_if_id = add_what_if(desk, boss, "freight.yaml", TEXT).record.what_if_id
    look, changes = SqlStore.look, iter(range(1, 100))
    changing = False

    @contextmanager
    def look_and_change(self: SqlStore) -> Iterator[Work]:
        nonlocal changing
        with look(self) as work:
            yield work
        if not changing:
            changing = True
            version = next(changes)
            change_what_if(desk, boss, what_if_id, TEXT.replace(b"Freight", b"Freight %d" % version), version)
            changing = False

    monkeypatch.setattr(SqlStore, "look", look_and_change)
    job_id = ask_comparison(desk, boss, [what_if_id]).job_id
    monkeypatch.undo()
    with desk.store.look() as work:
        job = work.jobs.get(job_id)
    assert job is not None and next(changes) > 2
    assert job.params["names"] == [x.name for x in what_ifs_of(job.params)[1:]]


def test_a_life_that_was_not_asked_for_is_not_taken_for_another() -> None:
    lived = [LifeRecord("j", world, number, "", {"landed_cents": 1.0}) for number in (0, 1) for world in (0, 1)]
    assert study_of(lived, ["base", "other"], 2, 1) is not None
    for stray in (LifeRecord("j", 2, 0, "", {}), LifeRecord("j", 0, 2, "", {}), LifeRecord("j", -1, 1, "", {})):
        with pytest.raises(ValueError, match=f"replication {stray.number} of world {stray.scenario} is none"):
            study_of([*lived, stray], ["base", "other"], 2, 1)


def test_beside_another_what_if(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    carbon = add_what_if(desk, boss, "carbon.yaml", CARBON).record.what_if_id
    same = CARBON.replace(b"name: Carbon", b"name: The same again")
    other = add_what_if(desk, boss, "same.yaml", same).record.what_if_id
    with pytest.raises(FaultyInput, match="beside_id"):
        ask_comparison(desk, boss, [carbon], beside_id=carbon)
    with pytest.raises(NotFound):
        ask_comparison(desk, boss, [carbon], beside_id=99)
    job_id = ask_comparison(desk, boss, [other], 0.25, 2, 4, near_km=1.0, beside_id=carbon).job_id
    job = worked_off(desk, boss, job_id)
    base, here = job.result["comparison"]["scenarios"]
    assert (base["name"], here["name"]) == ("Carbon", "The same again")
    assert {d["verdict"] for d in here["differences"].values()} == {"the same in every replication"}
    assert job.result["comparison"]["near_km"] == 1.0 and here["means"]["near_share"]["mean"] == 0.0


def test_on_pages(tmp_path: Path) -> None:
    desk = peopled_desk(tmp_path, plan=False)
    pia = an_actor(desk, "pia", Role.PLANNER)
    kept = add_what_if(desk, pia, "freight.yaml", TEXT).record.what_if_id
    with signed_in(desk, "pia") as client:
        token = token_on(client.get("/what-if").text)
        sent = {"token": token, "what_if": str(kept), "months": "1", "replications": "2", "seed": "1"}
        sent |= {"near_km": "250", "beside": "0"}
        assert client.post("/what-if/compare", data={**sent, "what_if": ""}).status_code == 422
        at = client.post("/what-if/compare", data=sent).headers["location"]
        assert "Stop and keep what came" in client.get(at).text
        assert Worker(desk).once()
        text = client.get(at).text
        assert "Replications as CSV" in text and "Which is" in text and "<h2>Freight</h2>" in text
        assert text.count('<th scope="row">') == len(FIGURES)
        assert "near is within 250" in text and "invented data" in text and "Every carrier" in text
        assert "Comparison of what-ifs" in client.get("/runs").text


def test_keeping_a_life_reads_none_of_the_others(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = asked(desk, boss)
    keep, lives = Worker._keep_life, JobRows.lives
    kept: list[Life] = []
    keeping = [False]

    def twice(self: Worker, job: JobRecord, task: Task, life: Life) -> None:
        keeping[0] = True
        keep(self, job, task, life)
        keep(self, job, task, life)  # tried again, as after an answer of the database that was lost
        keeping[0] = False
        kept.append(life)

    def read(self: JobRows, job_id: str, content: str | None = None) -> list[LifeRecord]:
        assert not keeping[0], "all lives are read for one"
        return lives(self, job_id, content)

    monkeypatch.setattr(Worker, "_keep_life", twice)
    monkeypatch.setattr(JobRows, "lives", read)
    assert Worker(desk).once()
    assert get_job(desk, boss, job_id).standing is JobStanding.DONE
    with desk.store.look() as work:
        assert len(work.jobs.lives(job_id)) == len(kept) > 1
        life = kept[0]
        assert work.jobs.has_life(job_id, life.scenario, life.number)
        assert not work.jobs.has_life(job_id, life.scenario, 99)
