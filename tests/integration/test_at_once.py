"""What two do at the same moment, on both databases."""

from __future__ import annotations

import threading
import time
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any, TypeVar

import pytest
import sqlalchemy as sa
from api_client import client_of
from desk_builder import Clock, an_actor, desk_on, with_small_book

from router.kernel.faults import AlreadyMade, Conflict, Refused, Stale
from router.service import jobs, people
from router.service.desk import Desk
from router.service.jobs import ask_plan, get_job, stop
from router.service.people import add_person, change_person
from router.service.pins import pinned_builds, set_pin
from router.service.plans import PlanInFull, accept, live_now, plan_in_full
from router.service.ports import Store
from router.service.receipts import Once
from router.service.records import Actor, JobRecord, JobStanding, Person, PlanStanding, Role
from router.store import SqlStore
from router.worker import Worker

LEASE_S = 30.0
T = TypeVar("T")


@pytest.fixture
def desk(store: SqlStore, tmp_path: Path) -> Desk:
    return desk_on(store, tmp_path / "cache", Clock())


@pytest.fixture
def ana(desk: Desk) -> Actor:
    planner = an_actor(desk, "ana", Role.PLANNER, codes=("ITAR",))
    with_small_book(desk, planner)
    return planner


def waiting(asked: Future[T], store: Store) -> Future[T]:
    """What another thread was asked for, once it waits for the transaction that is under way here."""
    assert isinstance(store, SqlStore)
    if store.engine.dialect.name == "postgresql":
        waits = sa.text(
            "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock'"
        )
        for _ in range(500):
            with store.engine.connect() as watching:
                if watching.execute(waits).scalar_one():
                    break
            time.sleep(0.02)
        else:
            pytest.fail("it waits for nothing")
    else:
        time.sleep(0.4)  # SQLite tells nobody who waits
    assert not asked.done()
    return asked


def test_a_stop_does_not_undo_the_end_that_is_just_being_written(desk: Desk, ana: Actor) -> None:
    job = ask_plan(desk, ana, seconds=2)
    with desk.store.begin() as work:
        work.jobs.claim("w", desk.clock(), LEASE_S, 3)
    with ThreadPoolExecutor(1) as other:
        with desk.store.begin() as work:
            work.jobs.beat(job.job_id, "w", desk.clock())
            running = work.jobs.get(job.job_id)
            assert running is not None
            work.jobs.keep(replace(running, standing=JobStanding.DONE, phase="done", result={"plan_id": 1}))
            asked = waiting(other.submit(stop, desk, ana, job.job_id), desk.store)
        with pytest.raises(Conflict, match="ended already"):
            asked.result()
    assert get_job(desk, ana, job.job_id).standing is JobStanding.DONE


def test_a_stop_loses_nothing_the_worker_has_just_written(desk: Desk, ana: Actor) -> None:
    job = ask_plan(desk, ana, seconds=2)
    with desk.store.begin() as work:
        work.jobs.claim("w", desk.clock(), LEASE_S, 3)
    with ThreadPoolExecutor(1) as other:
        with desk.store.begin() as work:
            work.jobs.beat(job.job_id, "w", desk.clock() + timedelta(seconds=9))
            running = work.jobs.get(job.job_id)
            assert running is not None
            work.jobs.keep(replace(running, best_cents=77))
            asked = waiting(other.submit(stop, desk, ana, job.job_id), desk.store)
        assert asked.result().standing is JobStanding.STOPPING
    kept = get_job(desk, ana, job.job_id)
    assert (kept.best_cents, kept.why) == (77, "stopped by ana")


def test_a_look_sees_one_state_whatever_is_kept_meanwhile(store: SqlStore) -> None:
    with store.begin() as work:
        work.revision.raise_it()
    seen: list[int] = []

    def change() -> None:
        with store.begin() as work:
            work.revision.raise_it()

    with store.look() as work:
        seen.append(work.revision.now())
        other = threading.Thread(target=change)
        other.start()
        other.join()
        seen.append(work.revision.now())
    with store.look() as work:
        seen.append(work.revision.now())
    assert seen == [1, 1, 2]


def test_two_administrators_who_demote_each_other_leave_one(desk: Desk) -> None:
    anna, bert = (an_actor(desk, name, Role.ADMINISTRATOR) for name in ("anna", "bert"))
    with ThreadPoolExecutor(1) as other:
        with desk.store.begin() as work:
            work.people.hold_administrators()
            work.people.change(replace(bert.person, role=Role.VIEWER), 1)
            asked = other.submit(change_person, desk, bert, anna.person.person_id, 1, Role.VIEWER, (), (), True)
            waiting(asked, desk.store)
        with pytest.raises((Conflict, Refused)):
            asked.result()
    with desk.store.look() as work:
        assert [p.name for p in work.people.all() if p.role is Role.ADMINISTRATOR] == ["anna"]


def test_two_requests_with_the_same_key_at_the_same_moment_are_done_once(
    desk: Desk, ana: Actor, monkeypatch: pytest.MonkeyPatch
) -> None:
    both, queued = threading.Barrier(2), jobs._queued

    def slowly(*asked: Any) -> JobRecord:
        time.sleep(0.4)  # long enough for the other to come as far as it can
        return queued(*asked)

    def ask(seed: int) -> str:
        both.wait()
        once = Once("monday", str(seed))
        try:
            return ask_plan(desk, ana, seconds=1, seed=seed, once=once).job_id
        except Conflict as refused:
            return str(refused)

    monkeypatch.setattr(jobs, "_queued", slowly)
    with ThreadPoolExecutor(2) as pool:
        first, second = pool.map(ask, (1, 1))
        assert first == second and get_job(desk, ana, first).params["seed"] == 1
        monkeypatch.setattr(desk.clock, "now", desk.clock() + timedelta(hours=1))
        with desk.store.begin() as work:
            work.receipts.forget_before(desk.clock())
        others = sorted(pool.map(ask, (2, 3)), key=len)
    assert "used for another request" in others[1] and len(others[0]) == 32
    with desk.store.look() as work:
        assert len(work.jobs.heads(None, 9)) == 2


def test_two_who_add_one_person_with_the_same_key_at_the_same_moment_add_one(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    both, told_of = threading.Barrier(2), people._told

    def slowly(person: Person) -> dict[str, object]:
        time.sleep(0.4)
        return told_of(person)

    def add(_: int) -> object:
        both.wait()
        try:
            return add_person(desk, boss, "pia", Role.PLANNER, once=Once("pia", "same")).person.person_id
        except AlreadyMade as made:
            return ("made", made.made["person_id"])

    monkeypatch.setattr(people, "_told", slowly)
    with ThreadPoolExecutor(2) as pool:
        answers = set(pool.map(add, range(2)))
    made = next(x for x in answers if isinstance(x, int))
    assert answers == {made, ("made", made)}


def planned(desk: Desk, ana: Actor, seed: int) -> int:
    job = ask_plan(desk, ana, seconds=1, seed=seed, from_nothing=True)
    assert Worker(desk).once()
    return int(get_job(desk, ana, job.job_id).result["plan_id"])


def test_a_plan_accepted_while_another_goes_live_is_looked_at_beside_that_one(
    desk: Desk, ana: Actor, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second, third = (planned(desk, ana, seed) for seed in (1, 2, 3))
    accept(desk, ana, first, 1)
    read: list[int] = []

    def slow(desk: Desk) -> PlanInFull | None:
        found = live_now(desk)
        assert found is not None
        read.append(found.head.plan_id)
        if len(read) == 1:
            accept(desk, ana, second, 1)
        return found

    monkeypatch.setattr("router.service.plans.live_now", slow)
    assert accept(desk, ana, third, 1).standing is PlanStanding.LIVE
    # Each reads what is live; the one that was overtaken reads again.
    assert read == [first, first, second]
    with pytest.raises(Stale, match=f"superseded now, and plan {third} is live.*accept version 3"):
        accept(desk, ana, first, 1)
    assert accept(desk, ana, first, 3).standing is PlanStanding.LIVE


def test_two_who_pin_the_same_build_at_once_leave_one_pin(desk: Desk, ana: Actor) -> None:
    ask_plan(desk, ana, seconds=1)
    assert Worker(desk).once()
    bea = an_actor(desk, "bea", Role.PLANNER)
    build_id = plan_in_full(desk, 1).result.plan.builds[0].build_id
    with ThreadPoolExecutor(1) as other:
        with desk.store.begin() as work:
            work.revision.hold()
            work.pins.put(1, {build_id: "ana"}, desk.clock())
            asked = waiting(other.submit(set_pin, desk, bea, 1, build_id, True), desk.store)
        asked.result()  # pinned is what it is already
    assert pinned_builds(desk, ana, 1) == {build_id: "ana"}
    client, address = client_of(desk, "bea", Role.PLANNER), f"/api/v1/plans/1/pins/{build_id}"
    with ThreadPoolExecutor(6) as several:
        for n in range(1, 5):
            assert client.delete(address).status_code == 200 and not pinned_builds(desk, ana, 1)
            answers = list(several.map(lambda _: client.put(address), range(6)))
            assert [a.status_code for a in answers] == [200] * 6
            assert pinned_builds(desk, ana, 1) == {build_id: "bea"}
            with desk.store.look() as work:
                told = [x.operation for x in work.trail.page(None, 100, build_id)]
            assert told.count("pin build") == n, "one of six pinned it, the others found it pinned"
