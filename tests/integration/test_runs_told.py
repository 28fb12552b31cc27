"""What is told of a run: nothing hidden when asked again, no reason of an earlier attempt; shutdowns do not count."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from api_client import client_of, small_desk
from desk_builder import Clock, an_actor
from whole_site import peopled_desk, signed_in

from router.service.jobs import LEASE_S, WAITING_FOR_A_WORKER, WAITING_TO_BE_CANCELLED, ask_plan, get_job, stop
from router.service.people import change_person
from router.service.receipts import Once
from router.service.records import JobKind, JobStanding, Role
from router.worker import Worker
from router.worker.loop import _Lost, _own

HIDDEN = "1005-1"


def test_a_repeated_request_is_told_what_its_asker_may_read(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    pia = an_actor(desk, "pia", Role.PLANNER)
    once = Once.of("again", {})
    job = ask_plan(desk, pia, once=once)
    why = f"line {HIDDEN} has no place"
    with desk.store.begin() as work:
        stored = work.jobs.get(job.job_id)
        assert stored is not None
        work.jobs.keep(replace(stored, standing=JobStanding.DONE, why=why, result={"left_out": [why]}))
    again = ask_plan(desk, pia, once=once)
    assert again == get_job(desk, pia, job.job_id)
    assert HIDDEN not in again.why and HIDDEN not in str(again.result)


@pytest.mark.parametrize("ends", ["session", "clearance"])
def test_a_stream_ends_with_the_rights_it_began_with(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ends: str
) -> None:
    desk = peopled_desk(tmp_path, plan=False)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = ask_plan(desk, boss).job_id
    if ends == "clearance":
        with desk.store.begin() as work:
            stored = work.jobs.get(job_id)
            assert stored is not None
            work.jobs.keep(replace(stored, kind=JobKind.ELSEWHERE, params={"line_id": HIDDEN}))
    pia = an_actor(desk, "pia", Role.PLANNER)

    async def meanwhile(_: float) -> None:
        if ends == "session":
            change_person(desk, boss, pia.person.person_id, 1, Role.PLANNER, (), ("ITAR",), False)
        else:
            change_person(desk, boss, pia.person.person_id, 1, Role.PLANNER, (), (), True)

    with signed_in(desk, "pia") as client:
        monkeypatch.setattr("router.api.runs.asyncio.sleep", meanwhile)
        answer = client.get(f"/api/v1/runs/{job_id}/stream")
        assert answer.status_code == 200 and answer.text.count("event: run") == 1


def test_orderly_shutdowns_are_no_attempts_and_leave_no_reason(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = ask_plan(desk, boss, seconds=1).job_id
    for number in range(4):
        worker = Worker(desk, f"w{number}")
        with desk.store.begin() as work:
            claimed = work.jobs.claim(worker.name, desk.clock(), 30.0, 3)
        assert claimed is not None and claimed.attempt == 1 and claimed.why == ""
        worker._hand_back(claimed, "its worker was shut down", counts=False)
        assert get_job(desk, boss, job_id).why == "its worker was shut down"
    assert Worker(desk).once()
    done = get_job(desk, boss, job_id)
    assert done.standing is JobStanding.DONE and "shut down" not in done.why


@pytest.mark.parametrize("stopped", [False, True])
def test_a_run_handed_back_says_nothing_of_what_it_was_doing(tmp_path: Path, stopped: bool) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id, worker = ask_plan(desk, boss, seconds=1).job_id, Worker(desk)
    with desk.store.begin() as work:
        claimed = work.jobs.claim(worker.name, desk.clock(), LEASE_S, 3)
        assert claimed is not None
        work.jobs.keep(replace(claimed, phase="search", done=7, total=10, best_cents=123, bound_cents=99))
    if stopped:
        stop(desk, boss, job_id)
    worker._hand_back(claimed, "its worker was shut down", counts=False)
    job = get_job(desk, boss, job_id)
    if stopped:
        assert (job.standing, job.phase) == (JobStanding.CANCELLED, "cancelled") and job.ended_at is not None
        assert job.why == "stopped by boss; its worker was shut down"
    else:
        assert (job.standing, job.phase, job.why) == (
            JobStanding.QUEUED,
            WAITING_FOR_A_WORKER,
            "its worker was shut down",
        )
        assert (job.done, job.total, job.best_cents, job.bound_cents) == (0, None, None, None)


@pytest.mark.parametrize("silent", ["before it was stopped", "after"])
def test_a_stopped_run_whose_worker_is_silent_does_not_seem_to_be_stopping(tmp_path: Path, silent: str) -> None:
    clock = Clock()
    desk = replace(small_desk(tmp_path), clock=clock)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id, worker = ask_plan(desk, boss, seconds=1).job_id, Worker(desk)
    with desk.store.begin() as work:
        claimed = work.jobs.claim(worker.name, clock(), LEASE_S, 3)
    assert claimed is not None
    if silent == "after":
        assert stop(desk, boss, job_id).standing is JobStanding.STOPPING
    clock.pass_s(LEASE_S + 1)
    if silent == "after":
        told = get_job(desk, boss, job_id)
        assert (told.standing, told.phase) == (JobStanding.QUEUED, WAITING_TO_BE_CANCELLED)
    job = stop(desk, boss, job_id)
    assert (job.standing, job.phase, job.ended_at) == (JobStanding.CANCELLED, "cancelled", clock())
    assert job.why == "stopped by boss; its worker was lost"
    # That worker speaks again: the run is not its own any more, and nobody else takes it up.
    with pytest.raises(_Lost), _own(desk, claimed, worker.name):
        pass
    assert not Worker(desk).once() and get_job(desk, boss, job_id) == job


def test_a_stopped_run_whose_worker_is_silent_is_cancelled_by_the_next_one(tmp_path: Path) -> None:
    clock = Clock()
    desk = replace(small_desk(tmp_path), clock=clock)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = ask_plan(desk, boss, seconds=1).job_id
    with desk.store.begin() as work:
        assert work.jobs.claim("one", clock(), LEASE_S, 3) is not None
    stop(desk, boss, job_id)
    clock.pass_s(LEASE_S + 1)
    assert not Worker(desk).once()
    job = get_job(desk, boss, job_id)
    assert (job.standing, job.phase) == (JobStanding.CANCELLED, "cancelled")
    assert job.why == "stopped by boss; its worker was lost"


def test_the_page_of_a_failed_run_promises_no_figure_that_never_comes(tmp_path: Path) -> None:
    desk = peopled_desk(tmp_path, plan=False)
    job = ask_plan(desk, an_actor(desk, "boss", Role.ADMINISTRATOR), seconds=1)
    with signed_in(desk, "pia") as client:
        assert client.get(f"/runs/{job.job_id}").text.count("none yet") == 3
        with desk.store.begin() as work:
            stored = work.jobs.get(job.job_id)
            assert stored is not None
            work.jobs.keep(replace(stored, standing=JobStanding.FAILED, why="no room on the disk"))
        page = client.get(f"/runs/{job.job_id}").text
    assert "no room on the disk" in page and "none yet" not in page


def test_a_run_nobody_works_on_is_told_as_queued(tmp_path: Path) -> None:
    desk, clock = peopled_desk(tmp_path, plan=False), Clock()
    desk = replace(desk, clock=clock)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = ask_plan(desk, boss).job_id

    def told() -> list[tuple[str, str]]:
        """As the service, the API and the list of it tell it."""
        job = get_job(desk, boss, job_id)
        one, listed = api.get(f"/api/v1/runs/{job_id}").json(), api.get("/api/v1/runs").json()[0]
        return sorted({(job.standing.value, job.phase), *((j["standing"], j["phase"]) for j in (one, listed))})

    with signed_in(desk, "pia") as client:
        api = client_of(desk)
        assert told() == [("queued", "waiting for a worker")]
        assert "<small>waiting for a worker</small>" in client.get("/runs").text
        with desk.store.begin() as work:
            claimed = work.jobs.claim("one", clock(), LEASE_S, 3)
        assert claimed is not None and told() == [("running", "beginning")]
        clock.pass_s(LEASE_S - 1)
        assert told() == [("running", "beginning")]
        clock.pass_s(2)
        ((standing, phase),) = told()
        assert standing == "queued" and phase.startswith("waiting for another worker")
        shown = client.get(f"/runs/{job_id}").text
        assert 'data-standing="queued"' in shown and "waiting for another worker" in shown
        with desk.store.begin() as work:
            assert work.jobs.claim("other", clock(), LEASE_S, 3) is not None
        assert told() == [("running", "beginning")]
