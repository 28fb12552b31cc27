"""A comparison gives way to a plan that nobody else takes up, and goes on after it; on several processes as on one."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from api_client import small_desk
from desk_builder import an_actor, desk_on, whole_jobs, with_small_book
from marked_book import QUESTION
from whole_site import peopled_desk, signed_in

from router.service.comparisons import ask_comparison
from router.service.desk import Desk
from router.service.jobs import ask_plan, get_job, stop
from router.service.kept_what_ifs import add_what_if
from router.service.records import Actor, JobRecord, JobStanding, Role
from router.service.site_choices import ask_site_choice
from router.store import SqlStore
from router.worker import Worker
from router.worker.loop import WAITING_FOR_A_PLAN, Pace, _Notes
from router.worker.messages import Life, Point
from router.worker.tasks import Task

TEXT = b"format: platewright what-if 1\nname: Freight\nchanges:\n  - {change: change_carrier, price_factor: 3}\n"
REPLICATIONS = 4
LIVES = 2 * REPLICATIONS
_AT_ONCE = Pace(poll_s=0.02, write_s=0.0, free_s=0.0)


def asked(desk: Desk, boss: Actor, file: str = "freight.yaml") -> str:
    """A comparison of one what-if, some short replications."""
    kept = add_what_if(desk, boss, file, TEXT)
    return ask_comparison(desk, boss, [kept.record.what_if_id], 0.25, REPLICATIONS, 4).job_id


def a_plan_comes(desk: Desk, boss: Actor, monkeypatch: pytest.MonkeyPatch) -> list[tuple[int, int]]:
    """Have a plan asked for as soon as a life is kept; the lives that are kept from now on, as they come."""
    lived: list[tuple[int, int]] = []
    keep = Worker._keep_life

    def noted(self: Worker, job: JobRecord, task: Task, life: Life) -> None:
        keep(self, job, task, life)
        lived.append((life.number, life.scenario))
        if len(lived) == 1:
            ask_plan(desk, boss, seconds=1)

    monkeypatch.setattr(Worker, "_keep_life", noted)
    return lived


def figures(desk: Desk, job_id: str) -> dict[tuple[int, int], object]:
    """Of every life that is kept."""
    with desk.store.look() as work:
        return {(x.number, x.scenario): x.figures for x in work.jobs.lives(job_id)}


@pytest.mark.parametrize("processes", [1, 2])
def test_it_gives_way_loses_no_life_and_goes_on_after_the_plan(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, processes: int
) -> None:
    desk = peopled_desk(tmp_path, plan=False)
    pia = an_actor(desk, "pia", Role.PLANNER)
    job_id = asked(desk, pia)
    lived = a_plan_comes(desk, pia, monkeypatch)
    worker = Worker(desk, pace=_AT_ONCE, processes=processes)
    assert worker.once()
    job = get_job(desk, pia, job_id)
    assert job.standing is JobStanding.QUEUED and job.attempt == 0 and job.why == ""
    assert 1 <= len(lived) < LIVES and set(figures(desk, job_id)) == set(lived)
    with signed_in(desk, "pia") as client:
        assert f"waiting for a plan, {len(lived)} of {LIVES} lives done" in client.get(f"/runs/{job_id}").text
    assert worker.once(), "the plan goes before it"
    with desk.store.look() as work:
        latest, _ = whole_jobs(work, 2)
    assert latest.standing is JobStanding.DONE, latest.why
    assert worker.once()
    job = get_job(desk, pia, job_id)
    assert job.standing is JobStanding.DONE and job.attempt == 1, job.why
    assert len(lived) == len(set(lived)) == LIVES, "none was lived twice"
    monkeypatch.undo()
    again = ask_comparison(desk, pia, [1], 0.25, REPLICATIONS, 4).job_id
    assert Worker(desk).once()
    assert figures(desk, again) == figures(desk, job_id), "the figures are those of a comparison left in peace"


def test_lives_that_take_too_long_are_given_up_and_lived_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = asked(desk, boss)
    a_plan_comes(desk, boss, monkeypatch)
    assert Worker(desk, pace=replace(_AT_ONCE, give_way_s=0.0), processes=2).once()
    job = get_job(desk, boss, job_id)
    assert job.standing is JobStanding.QUEUED and job.attempt == 0
    assert 1 <= job.done == len(figures(desk, job_id)) < LIVES == job.total
    for _ in range(2):
        assert Worker(desk, processes=2).once()
    assert get_job(desk, boss, job_id).standing is JobStanding.DONE
    assert len(figures(desk, job_id)) == LIVES


def test_stopped_while_it_gives_way_it_ends_with_what_came(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = asked(desk, boss)
    a_plan_comes(desk, boss, monkeypatch)
    back = Worker._give_way

    def stopped_just_before(self: Worker, job: JobRecord, task: Task) -> None:
        stop(desk, boss, job_id)
        back(self, job, task)

    monkeypatch.setattr(Worker, "_give_way", stopped_just_before)
    assert Worker(desk, pace=_AT_ONCE).once()
    job = get_job(desk, boss, job_id)
    assert job.standing is JobStanding.DONE and job.why == "stopped by boss"
    assert 1 <= job.result["lives"] == len(figures(desk, job_id)) < LIVES


def test_who_gives_way_and_when(store: SqlStore, tmp_path: Path) -> None:
    desk = desk_on(store, tmp_path / "cache")
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR, codes=("ITAR",))
    with_small_book(desk, boss)
    running = [asked(desk, boss), asked(desk, boss, "second.yaml")]
    now = desk.clock()
    with desk.store.begin() as work:
        claimed = [work.jobs.claim(worker, now, 30.0, 3) for worker in ("a", "b")]
    assert [x.job_id for x in claimed if x] == running

    def giving(seconds: float = 0.0, free_s: float = 3.0) -> list[str]:
        with desk.store.look() as work:
            at = desk.clock() + timedelta(seconds=seconds)
            return [x for x in running if work.jobs.must_give_way(x, at, 30.0, free_s, 3)]

    assert giving(60) == [], "nothing waits"
    ask_plan(desk, boss, seconds=1)
    assert giving() == [], "a free worker would take it in a moment"
    assert giving(4) == [running[1]], "one for one plan: the one asked for last"
    ask_plan(desk, boss, seconds=1)
    assert giving(4) == running
    with desk.store.begin() as work:
        taken = [work.jobs.claim(worker, desk.clock(), 30.0, 3) for worker in ("c", "d")]
        assert all(taken)
    assert giving(4) == [], "both plans are worked on"
    with desk.store.begin() as work:
        assert taken[0] is not None
        work.jobs.beat(taken[0].job_id, "c", desk.clock() + timedelta(seconds=40))
    assert giving(40) == [running[1]], "one has lost its worker"


def test_a_choice_of_sites_begins_anew_after_the_plan_but_not_for_ever(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = ask_site_choice(desk, boss, QUESTION.encode(), seconds=10).job_id
    hear = _Notes.hear
    plans: list[str] = []

    def a_plan_is_asked_for(self: _Notes, point: Point) -> None:
        hear(self, point)
        if point.kind == "incumbent" and self._job.job_id == job_id:
            plans.append(ask_plan(desk, boss, seconds=1).job_id)

    monkeypatch.setattr(_Notes, "hear", a_plan_is_asked_for)
    worker = Worker(desk, pace=_AT_ONCE)
    for attempt in (1, 2):
        assert worker.once()
        job = get_job(desk, boss, job_id)
        assert (job.standing, job.phase, job.attempt) == (JobStanding.QUEUED, WAITING_FOR_A_PLAN, attempt)
        assert job.why == "" and job.best_cents is None and job.done == 0 and not job.result
        assert worker.once(), "the plan goes before it"
        assert get_job(desk, boss, plans[-1]).standing is JobStanding.DONE
    comparison = asked(desk, boss)
    with desk.store.begin() as work:
        claimed = [work.jobs.claim(name, desk.clock(), 30.0, 9) for name in ("a", "b")]
        assert [x.job_id for x in claimed if x] == [job_id, comparison]
    ask_plan(desk, boss, seconds=1)

    def give_way(most_attempts: int) -> list[str]:
        with desk.store.look() as work:
            now = desk.clock()
            return [x for x in (job_id, comparison) if work.jobs.must_give_way(x, now, 30.0, 0.0, most_attempts)]

    assert give_way(9) == [comparison], "of it nothing is lost"
    ask_plan(desk, boss, seconds=1)
    assert give_way(9) == [job_id, comparison] and give_way(3) == [comparison]
    with desk.store.begin() as work:
        for x in claimed:
            assert x is not None
            back = replace(x, standing=JobStanding.QUEUED, claimed_by=None, attempt=x.attempt - 1)
            work.jobs.keep(back)
        for waits in whole_jobs(work, 9):
            if waits.standing is JobStanding.QUEUED and waits.job_id != job_id:
                work.jobs.ask_to_stop(waits.job_id, desk.clock(), "", 30.0)
    assert worker.once()
    job = get_job(desk, boss, job_id)
    assert (job.standing, job.attempt) == (JobStanding.DONE, 3) and job.result["whole"], "the last attempt is let be"


def test_a_life_that_cannot_be_lived_ends_the_comparison_in_words(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = asked(desk, boss)
    with desk.store.begin() as work:
        job = work.jobs.get(job_id)
        assert job is not None
        text = TEXT.decode().replace(
            "{change: change_carrier, price_factor: 3}", "{change: retire_machine, machine: NONE}"
        )
        work.jobs.keep(replace(job, params={**job.params, "texts": {"freight.yaml": text}}))
    assert Worker(desk, processes=2).once()
    ended = get_job(desk, boss, job_id)
    assert ended.standing is JobStanding.FAILED and "NONE" in ended.why and "a fault of ours" not in ended.why
