"""Lists of which somebody sees a part, questions about a plate, keys looked up in time, a worker that measures long."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from api_client import client_of, planned_desk, small_desk
from desk_builder import an_actor, desk_on, with_small_book
from fastapi.testclient import TestClient
from whole_site import PEOPLE, quick_hash, signed_in

from router.kernel.faults import NotFound
from router.service.book import get_line, hold, withdraw
from router.service.desk import Desk, Limits
from router.service.events import latest_events, list_events, record_event, withdraw_event
from router.service.exports import may_export
from router.service.floor import MachineState
from router.service.jobs import ask_elsewhere, ask_plan, get_job, list_jobs
from router.service.machines import machines_now
from router.service.network import current_network, save_network
from router.service.plans import live_in_full
from router.service.receipts import Once
from router.service.records import EventKind, EventRecord, JobPoint, JobStanding, Person, Role
from router.service.trail import book_changes, list_trail
from router.store import open_store
from router.store.book_rows import EventRows, LineRows
from router.store.trail_rows import TrailRows
from router.worker import Worker
from router.worker.loop import Pace

V1 = "/api/v1"
HIDDEN = "1005-1"
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return small_desk(tmp_path)


@pytest.fixture(scope="module")
def with_plan(planned: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    made = planned_desk(planned, tmp_path_factory.mktemp("lists"))
    hashed = quick_hash("an invented password")
    with made.store.begin() as work:
        role, sites, codes = PEOPLE["pia"]
        work.people.add(Person(0, "pia", role, frozenset(sites), frozenset(codes)), hashed)
    yield made


def a_fact(n: int, subject: str, site_id: str) -> EventRecord:
    at = NOON + timedelta(minutes=n)
    return EventRecord(0, EventKind.MACHINE_DOWN, at, at, "ana", site_id, subject, {})


def test_what_was_recorded_last_is_told_without_reading_all_that_ever_was(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    machine = machines_now(desk, boss).machines[0]
    with desk.store.begin() as work:
        kept = [work.events.add(a_fact(n, machine.machine_id, machine.site_id)) for n in range(300)]
    withdraw_event(desk, boss, kept[290].event_id, "mistaken")
    whole: list[None] = []
    every = EventRows.all

    def noticed(rows: EventRows) -> list[EventRecord]:
        whole.append(None)
        return every(rows)

    monkeypatch.setattr(EventRows, "all", noticed)
    last = latest_events(desk, boss, None, 20)
    assert not whole
    assert [x.event.event_id for x in last[1:]] == [e.event_id for e in kept[:280:-1]]
    assert [x.event.event_id for x in last if x.withdrawn] == [kept[290].event_id]
    assert latest_events(desk, boss, kept[5].event_id, 20)[-1].event == kept[0]
    assert machines_now(desk, boss).machines[0].state is MachineState.DOWN
    assert machines_now(desk, boss).machines[0].state is MachineState.DOWN and len(whole) == 1
    at = machines_now(desk, boss).moment
    record_event(desk, boss, EventKind.MACHINE_UP, machine.machine_id, at)
    assert machines_now(desk, boss).machines[0].state is MachineState.UP


def test_a_page_is_full_though_most_of_the_list_is_not_the_askers(desk: Desk) -> None:
    oda = an_actor(desk, "oda", Role.SITE_OPERATOR, sites=("OHIO",))
    vic = an_actor(desk, "vic", Role.PLANNER)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    wanted = ask_plan(desk, boss, seconds=2)
    with desk.store.begin() as work:
        for n in range(300):
            work.events.add(a_fact(n, "m", "RHINE"))
        for n in range(5):
            work.events.add(a_fact(300 + n, "m", "OHIO"))
        for n in range(300):
            about = {"line_id": HIDDEN}
            work.jobs.add(
                replace(wanted, job_id=f"{n:032x}", params=about, asked_at=wanted.asked_at + timedelta(seconds=n + 1))
            )
            work.trail.add(NOON, "ana", "hold", HIDDEN, {})
    found = list_events(desk, oda, 0, 3)
    assert [e.site_id for e in found] == ["OHIO"] * 3
    assert len(list_events(desk, oda, found[-1].event_id, 3)) == 2
    assert [j.job_id for j in list_jobs(desk, vic, 10)] == [wanted.job_id]
    assert [t.operation for t in list_trail(desk, vic, None, 2)] == ["ask plan", "import"]


def test_the_trail_is_not_walked_for_a_plan_that_knows_every_change(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    with desk.store.look() as work:
        revision = work.revision.now()
    hold(desk, boss, "1003-1", "drawing", 1)
    assert [x.subject for x in book_changes(desk, boss, revision)] == ["1003-1"]
    monkeypatch.delattr(TrailRows, "page")
    monkeypatch.delattr(TrailRows, "book_changes")
    assert book_changes(desk, boss, revision + 1) == []


def test_whether_the_book_may_be_exported_is_asked_without_reading_it(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    vic = an_actor(desk, "vic", Role.PLANNER, codes=("EAR",))
    assert may_export(desk, boss) and not may_export(desk, vic)
    assert not may_export(desk, an_actor(desk, "val", Role.VIEWER, codes=("ITAR",)))
    with desk.store.look() as work:
        secret = [x for x in work.lines.all() if x.export_control and not x.standing.closed]
    for line in secret:
        withdraw(desk, boss, line.line_id, "cancelled", line.version)
    monkeypatch.delattr(LineRows, "all")
    assert secret and may_export(desk, vic), "what was withdrawn is not in the folder"


def test_runs_of_one_moment_are_all_on_one_page_or_the_next(desk: Desk) -> None:
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    first = ask_plan(desk, boss, seconds=2)
    with desk.store.begin() as work:
        for n in range(4):
            result = {"plan_id": n, "table": [n]}
            work.jobs.add(replace(first, job_id=f"{n:032x}", params={"text": "long"}, result=result))
    client = client_of(desk)
    found: list[dict[str, object]] = []
    last: dict[str, object] = {}
    while page := client.get(f"{V1}/runs", params={"limit": 2, **last}).json():
        found += page
        last = {"after_run": found[-1]["job_id"]}
    assert [x["job_id"] for x in found] == sorted((first.job_id, *(f"{n:032x}" for n in range(4))), reverse=True)
    assert all("table" not in x["result"] and "text" not in x["params"] for x in found)
    before = {"before": first.asked_at.isoformat(), "after_run": found[0]["job_id"]}
    assert client.get(f"{V1}/runs", params=before).json() == []
    assert client.get(f"{V1}/runs", params={"after_run": "f" * 32}).status_code == 404


def test_points_of_a_run_come_in_pages_and_all_of_them_in_its_stream(desk: Desk) -> None:
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job = ask_plan(desk, boss, seconds=2)
    with desk.store.begin() as work:
        work.jobs.add_points([JobPoint(job.job_id, n, "incumbent", n / 10, 9e4 - n, "") for n in range(1, 1201)])
        work.jobs.ask_to_stop(job.job_id, desk.clock(), "enough", 30.0)
    client = client_of(desk)
    address = f"{V1}/runs/{job.job_id}"
    assert [x["number"] for x in client.get(f"{address}/points").json()] == list(range(1, 501))
    page = client.get(f"{address}/points", params={"after": 700, "limit": 3}).json()
    assert [x["number"] for x in page] == [701, 702, 703]
    stream = client.get(f"{address}/stream").text
    assert stream.count("event: point") == 1200 and stream.count("event: run") == 1
    narrow = client_of(replace(desk, limits=Limits(most_page=100)))
    stream = narrow.get(f"{address}/stream").text
    assert stream.count("event: point") == 1200 and stream.count("event: run") == 1


def test_editions_of_the_network_come_in_pages_without_their_texts(desk: Desk) -> None:
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    raw = current_network(desk, boss).record.raw
    for version in (1, 2, 3):
        save_network(desk, boss, raw + b"\n" * version, version, "")
    client = client_of(desk)
    read = client.get(f"{V1}/network/editions", params={"limit": 2}).json()
    assert [x["version"] for x in read] == [4, 3]
    read = client.get(f"{V1}/network/editions", params={"limit": 2, "before": 3}).json()
    assert [x["version"] for x in read] == [2, 1]


def test_the_page_of_a_plate_shows_its_own_events_however_many_others_there_are(with_plan: Desk) -> None:
    with signed_in(with_plan, "pia") as pia:
        plan = next(p for p in client_of(with_plan).get(f"{V1}/plans").json() if p["standing"] == "live")
        build = client_of(with_plan).get(f"{V1}/plans/{plan['plan_id']}/builds").json()[0]
        with with_plan.store.begin() as work:
            for n in range(520):
                work.events.add(a_fact(n, "another", build["site_id"]))
            own = a_fact(600, build["build_id"], build["site_id"])
            lasting_id = next(
                b.lasting_id for b in live_in_full(with_plan).result.plan.builds if b.build_id == build["build_id"]
            )
            by = "nina of the night shift"
            work.events.add(replace(own, kind=EventKind.BUILD_FAILED, by=by, lasting_id=lasting_id))
        assert "nina of the night shift" in pia.get(f"/plates/{build['build_id']}").text


def brought(client: TestClient, like: dict[str, str], **cells: str) -> None:
    """A line that came after the plan."""
    row = {**like, **cells}
    row["quantity"] = int(row["quantity"])  # type: ignore[assignment]
    sent = {"files": ("orders.json", json.dumps([row]))}
    seen = client.post(f"{V1}/imports", files=sent).json()
    assert seen["storable"], seen["faults"]
    assert client.post(f"{V1}/imports/{seen['import_id']}/store").status_code == 200


def fits(client: TestClient) -> dict[str, set[str]]:
    """Sites with a plate on which each line would find room."""
    plan = next(p for p in client.get(f"{V1}/plans").json() if p["standing"] == "live")
    found: dict[str, set[str]] = {}
    for build in client.get(f"{V1}/plans/{plan['plan_id']}/builds").json():
        for fit in client.get(f"{V1}/plans/{plan['plan_id']}/builds/{build['build_id']}/would-fit").json():
            found.setdefault(fit["line_id"], set()).add(build["site_id"])
    return found


def test_what_would_fit_on_a_plate_includes_lines_that_came_after_the_plan(with_plan: Desk) -> None:
    client = client_of(with_plan)
    lines = client.get(f"{V1}/lines").json()["lines"]
    small = min(
        (x for x in lines if not x["export_control"] and "approved_sites" not in x["cells"]),
        key=lambda x: int(x["quantity"]),
    )
    like = {k: v for k, v in small["cells"].items() if k not in ("release", "price")}
    brought(client, like, line="late-1", order="late", quantity="1")
    open_to = fits(client).get("late-1", set())
    assert open_to, "a single small piece finds room on some plate"
    site = sorted(open_to)[0]
    other = next(s for s in ("OHIO", "RHINE") if s != site)
    pinned = client.put(f"{V1}/lines/late-1/pin", json={"site_id": other}, headers={"If-Match": '"1"'})
    assert pinned.status_code == 200, pinned.text
    assert site not in fits(client).get("late-1", set())


def test_a_repeated_question_gets_its_run_though_the_line_is_held_by_now(with_plan: Desk) -> None:
    pia = an_actor(with_plan, "pia", Role.PLANNER)
    line = next(x for x in client_of(with_plan).get(f"{V1}/lines").json()["lines"] if x["line_id"] != "late-1")
    once = Once.of("again", {"line_id": line["line_id"]})
    job = ask_elsewhere(with_plan, pia, line["line_id"], 1, once)
    hold(with_plan, pia, line["line_id"], "drawing", get_line(with_plan, pia, line["line_id"]).version)
    assert ask_elsewhere(with_plan, pia, line["line_id"], 1, once).job_id == job.job_id


def test_a_worker_that_measures_for_longer_than_its_lease_keeps_its_job(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = desk_on(open_store(f"sqlite:///{tmp_path / 'book.db'}"), tmp_path / "cache")
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR, codes=("ITAR",))
    with_small_book(desk, boss)
    job = ask_plan(desk, boss, seconds=2)
    lease_s = 0.5
    claimed: list[object] = []

    def measures_long(desk: Desk, job: object) -> object:
        for _ in range(4):
            time.sleep(lease_s)
            with desk.store.begin() as work:
                claimed.append(work.jobs.claim("another", desk.clock(), lease_s, 3))
        raise NotFound("measured at last")

    monkeypatch.setattr("router.worker.loop.task_of", measures_long)
    assert Worker(desk, pace=Pace(lease_s=lease_s)).once()
    assert claimed == [None] * 4
    ended = get_job(desk, boss, job.job_id)
    assert (ended.standing, ended.why) == (JobStanding.FAILED, "measured at last")
