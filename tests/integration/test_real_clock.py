"""A network that is not invented lives by the clock; a run carries what its server says of it to any worker."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from api_client import small_desk, with_live_plan
from desk_builder import Clock, an_actor
from whole_site import peopled_desk, signed_in

from router.bootstrap import Settings
from router.kernel.faults import FaultyInput
from router.service.desk import Desk
from router.service.events import record_event
from router.service.jobs import ask_plan, get_job
from router.service.machines import machines_now
from router.service.network import current_network, save_network
from router.service.plans import plan_in_full
from router.service.records import Actor, EventKind, JobStanding, Role
from router.service.snapshot import snapshot
from router.worker import Worker

LATER = datetime(2027, 3, 9, 10, 17, tzinfo=UTC)


def a_desk(folder: Path, invented: bool) -> tuple[Desk, Actor]:
    """The small book, said to be invented or not, a week after the moment of its file."""
    desk = replace(small_desk(folder), clock=Clock(LATER))
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    if not invented:
        record = current_network(desk, boss).record
        raw = record.raw.replace(b"invented: true", b"invented: false")
        save_network(desk, boss, raw, record.version, "ours")
    return desk, boss


@pytest.mark.parametrize(
    ("invented", "said", "by_the_clock"),
    [(False, None, True), (True, None, False), (False, False, False), (True, True, True)],
)
def test_a_real_book_is_planned_from_the_clock_unless_told_otherwise(
    tmp_path: Path, invented: bool, said: bool | None, by_the_clock: bool
) -> None:
    desk, boss = a_desk(tmp_path, invented)
    desk = replace(desk, plans_from_now=said)
    assert (snapshot(desk).scenario.network.now == LATER) is by_the_clock
    assert (machines_now(desk, boss).moment == LATER) is by_the_clock
    ahead = max(LATER, machines_now(desk, boss).moment) + timedelta(days=2)
    if by_the_clock:
        with pytest.raises(FaultyInput, match="10 minutes after it"):
            record_event(desk, boss, EventKind.MACHINE_DOWN, "M01", ahead)
        assert snapshot(desk).scenario.network.now == LATER
    else:
        record_event(desk, boss, EventKind.MACHINE_DOWN, "M01", ahead)


def test_the_environment_says_yes_no_or_nothing() -> None:
    for text, wanted in ((None, None), ("", None), ("yes", True), ("no", False)):
        given = {} if text is None else {"PLATEWRIGHT_PLANS_FROM_NOW": text}
        assert Settings.from_environment(given).plans_from_now is wanted
    with pytest.raises(FaultyInput, match="PLATEWRIGHT_PLANS_FROM_NOW"):
        Settings.from_environment({"PLATEWRIGHT_PLANS_FROM_NOW": "perhaps"})


def test_today_says_loudly_that_a_real_book_is_not_planned_from_the_clock(tmp_path: Path) -> None:
    desk = peopled_desk(tmp_path, plan=False)
    boss = an_actor(desk, "adm", Role.ADMINISTRATOR)
    record = current_network(desk, boss).record
    raw = record.raw.replace(b"invented: true", b"invented: false")
    save_network(desk, boss, raw, record.version, "ours")
    desk = replace(desk, plans_from_now=False)
    with_live_plan(desk)
    with signed_in(desk, "pia") as client:
        assert "Plans do not begin at the clock" in client.get("/").text
    with signed_in(replace(desk, plans_from_now=None), "pia") as client:
        assert "Plans do not begin at the clock" not in client.get("/").text


@pytest.mark.parametrize(("server", "worker"), [(True, None), (False, True)])
def test_a_worker_told_otherwise_keeps_to_what_the_server_said(
    tmp_path: Path, server: bool, worker: bool | None
) -> None:
    desk, boss = a_desk(tmp_path, invented=True)
    job = ask_plan(replace(desk, plans_from_now=server), boss, seconds=1)
    assert Worker(replace(desk, plans_from_now=worker)).once()
    done = get_job(desk, boss, job.job_id)
    assert done.standing is JobStanding.DONE, done.why
    planned = plan_in_full(desk, int(done.result["plan_id"])).result.plan
    assert (planned.now == LATER) is server
