"""The store on both databases: migrations, versions, transactions, claims."""

from __future__ import annotations

import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext

from router.kernel.faults import Conflict, NotFound
from router.service.ports import LineFilter, PlanBody, Receipt
from router.service.records import (
    EventKind,
    EventRecord,
    FormerName,
    JobKind,
    JobPoint,
    JobRecord,
    JobStanding,
    LineRecord,
    LineStanding,
    ModelRecord,
    NetworkHead,
    NetworkRecord,
    Person,
    PlanHead,
    PlanStanding,
    Role,
)
from router.store import SqlStore, StoreOut, open_store
from router.store.tables import metadata

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def a_line(n: int, **changes: object) -> LineRecord:
    line = LineRecord(
        line_id=f"L-{n:03d}",
        order_id=f"O-{n // 3}",
        customer="Invented Pumps",
        model="bracket.stl",
        alloy_id="in718",
        quantity=n + 1,
        ship_place="Lyon, FR",
        received_at=NOON + timedelta(hours=n),
        release_at=NOON + timedelta(hours=n),
        due_date=date(2026, 4, 1 + n % 7),
        export_control=None,
        cells={"line": f"L-{n:03d}", "quantity": str(n + 1)},
    )
    return replace(line, **changes)  # type: ignore[arg-type]


def a_plan(**changes: object) -> PlanHead:
    head = PlanHead(
        0,
        PlanStanding.PROPOSED,
        3,
        "f" * 64,
        NOON,
        "ana",
        "optimizer",
        "",
        None,
        None,
        "EUR",
        {"landed_cents": 5},
        4,
        0.2,
        0,
    )
    return replace(head, **changes)  # type: ignore[arg-type]


def a_job(job_id: str, asked_at: datetime = NOON) -> JobRecord:
    return JobRecord(
        job_id,
        JobKind.PLAN,
        JobStanding.QUEUED,
        asked_at,
        "ana",
        {"seconds": 5},
        "",
        0,
        None,
        None,
        None,
        None,
        None,
        0,
        None,
        None,
        "",
        {},
    )


def test_migrated_tables_are_the_declared_ones(store: SqlStore) -> None:
    with store.engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []


def test_opening_again_changes_nothing_and_a_newer_database_is_refused(store: SqlStore, database_url: str) -> None:
    with store.begin() as work:
        work.lines.add([a_line(1)])
    again = open_store(database_url)
    with again.look() as work:
        assert work.lines.get("L-001") == a_line(1)
    again.close()
    with store.engine.begin() as connection:
        connection.execute(sa.text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(StoreOut, match="newer"):
        open_store(database_url)


def test_an_exception_keeps_nothing(store: SqlStore) -> None:
    with pytest.raises(RuntimeError), store.begin() as work:
        work.lines.add([a_line(1)])
        work.revision.raise_it()
        raise RuntimeError
    with store.look() as work:
        assert work.lines.all() == [] and work.revision.now() == 0


def test_a_stale_version_is_a_conflict(store: SqlStore) -> None:
    with store.begin() as work:
        work.lines.add([a_line(1)])
    with store.begin() as work:
        held = work.lines.change(a_line(1, standing=LineStanding.HELD, why_held="sample"), 1)
    assert held.version == 2
    with pytest.raises(Conflict, match="version 2, seen 1"), store.begin() as work:
        work.lines.change(a_line(1), 1)
    with pytest.raises(NotFound), store.begin() as work:
        work.lines.change(a_line(7), 1)
    with store.look() as work:
        assert work.lines.get("L-001") == held


def test_two_at_once_change_a_line_only_one_of_them(store: SqlStore) -> None:
    with store.begin() as work:
        work.lines.add([a_line(1)])
    gate = threading.Barrier(2)

    def change(why: str) -> str:
        gate.wait()
        try:
            with store.begin() as work:
                work.lines.change(a_line(1, why_held=why), 1)
        except Conflict:
            return "refused"
        return "kept"

    with ThreadPoolExecutor(2) as pool:
        assert sorted(pool.map(change, ["one", "other"])) == ["kept", "refused"]


@pytest.mark.parametrize("sort", ["due_date", "quantity", "received_at", "line_id"])
@pytest.mark.parametrize("descending", [False, True])
def test_pages_hold_every_line_once_in_order(store: SqlStore, sort: str, descending: bool) -> None:
    with store.begin() as work:
        work.lines.add([a_line(n) for n in range(23)])
    seen: list[LineRecord] = []
    after = None
    while True:
        with store.look() as work:
            page = work.lines.page(LineFilter(), sort, descending, after, 5)
        if not page:
            break
        seen += page
        value = getattr(page[-1], sort)
        after = (value.isoformat() if hasattr(value, "isoformat") else str(value), page[-1].line_id)
    assert len(seen) == 23 and len({x.line_id for x in seen}) == 23
    values = [getattr(x, sort) for x in seen]
    assert values == sorted(values, reverse=descending)


def test_filters(store: SqlStore) -> None:
    with store.begin() as work:
        work.lines.add(
            [a_line(1), a_line(2, customer="50%_Works"), a_line(3, export_control="X1", standing=LineStanding.HELD)]
        )
    with store.look() as work:

        def ids(wanted: LineFilter) -> list[str]:
            return [x.line_id for x in work.lines.page(wanted, "line_id", False, None, 9)]

        assert ids(LineFilter(codes=frozenset())) == ["L-001", "L-002"]
        assert ids(LineFilter(codes=frozenset({"X1"}))) == ["L-001", "L-002", "L-003"]
        assert ids(LineFilter(text="50%_ lyon")) == ["L-002"]
        assert ids(LineFilter(text="%")) == ["L-002"]
        assert ids(LineFilter(standing="held")) == ["L-003"]
        assert work.lines.count(LineFilter()) == 3


def test_names_are_remembered_once_and_several_lines_read_together(store: SqlStore) -> None:
    names = [FormerName("L-001", "Old Works", "X1"), FormerName("L-001", "Old Works", None)]
    with store.begin() as work:
        work.lines.add([a_line(n) for n in range(1_100)])
        work.lines.remember([*names, names[0]])
    with store.begin() as work:
        work.lines.remember([FormerName("L-002", "Old Works", "X1"), *names])
    with store.look() as work:
        assert sorted(x.line_id for x in work.lines.former_names()) == ["L-001", "L-001", "L-002"]
        assert set(names) < set(work.lines.former_names())
        wanted = [x.line_id for x in work.lines.all()][:-50]
        assert work.lines.several([*wanted, "nobody"]) == {i: a_line(int(i[2:])) for i in wanted}
        assert work.lines.several([]) == {}


def test_models_share_contents_and_a_name_has_one(store: SqlStore) -> None:
    with store.begin() as work:
        work.models.put(ModelRecord("a" * 64, "one.stl", 3, NOON), b"abc")
        work.models.put(ModelRecord("a" * 64, "two.stl", 3, NOON), b"abc")
        work.models.put(ModelRecord("b" * 64, "one.stl", 2, NOON), b"xy")
    with store.look() as work:
        assert [(m.name, m.sha256[0]) for m in work.models.all()] == [("one.stl", "b"), ("two.stl", "a")]
        assert work.models.content("a" * 64) == b"abc" and work.models.content("c" * 64) is None


def test_plans_are_kept_whole_and_one_is_live(store: SqlStore) -> None:
    body = PlanBody('{"a": "é"}', '{"b": 1}', ("a finding",), 12)
    with store.begin() as work:
        first = work.plans.add(a_plan(), body.packed())
        second = work.plans.add(a_plan(), body.packed())
        work.plans.stand(first.plan_id, PlanStanding.LIVE, 1)
    with store.look() as work:
        assert work.plans.body(second.plan_id) == body
        live = work.plans.live()
        assert live is not None and live.plan_id == first.plan_id and live.version == 2
        assert [h.plan_id for h in work.plans.heads(9)] == [second.plan_id, first.plan_id]
    with pytest.raises(Conflict), store.begin() as work:
        work.plans.stand(second.plan_id, PlanStanding.LIVE, 1)


def test_who_holds_the_revision_sees_what_the_one_before_kept(store: SqlStore) -> None:
    inside = threading.Event()
    event = EventRecord(0, EventKind.MACHINE_DOWN, NOON, NOON, "bo", "lyon", "M1")
    with store.begin() as work:
        work.revision.raise_it()

    def first() -> None:
        with store.begin() as work:
            work.revision.hold()
            inside.set()
            time.sleep(0.4)
            work.events.add(event)

    def second() -> int:
        inside.wait()
        with store.begin() as work:
            work.revision.hold()
            return len(work.events.all())

    with ThreadPoolExecutor(2) as pool:
        one, two = pool.submit(first), pool.submit(second)
        one.result()
        assert two.result() == 1


def test_events_trail_people_and_receipts_come_back(store: SqlStore) -> None:
    event = EventRecord(
        0, EventKind.MACHINE_DOWN, NOON, NOON + timedelta(hours=1), "bo", "lyon", "M1", {"until": "later"}, "b-1"
    )
    person = Person(0, "Ana", Role.SITE_OPERATOR, frozenset({"lyon"}), frozenset({"X1"}))
    with store.begin() as work:
        kept = work.events.add(event)
        work.trail.add(NOON, "ana", "hold", "L-001", {"why": "x"})
        ana = work.people.add(person, "hash")
        work.receipts.add(Receipt("k", "ana", "a" * 64, {"n": 1}, NOON))
    with store.look() as work:
        assert (
            work.events.get(kept.event_id) == kept
            and work.events.all() == [kept]
            and work.events.of_build("b-1") == [kept]
        )
        assert work.trail.page(None, 5)[0].details == {"why": "x"}
        assert work.people.named("aNA") == (ana, "hash")
        receipt = work.receipts.get("ana", "k")
        assert receipt is not None and receipt.answer == {"n": 1} and receipt.at == NOON
    with pytest.raises(Conflict), store.begin() as work:
        work.people.add(replace(person, name="ANA"), "other")


def test_changes_of_the_book_since_a_revision_are_found_among_much_else(store: SqlStore) -> None:
    with store.begin() as work:
        for revision in range(1, 6):
            work.trail.add(NOON, "ana", "hold", f"L-{revision}", {"why": "x", "revision": revision})
            for _ in range(3):
                work.trail.add(NOON, "bo", "sign in", "bo", {})
    with store.look() as work:
        assert [x.subject for x in work.trail.book_changes(2, None, 10)] == ["L-5", "L-4", "L-3"]
        first = work.trail.book_changes(0, None, 2)
        assert [x.subject for x in first] == ["L-5", "L-4"]
        assert [x.subject for x in work.trail.book_changes(0, first[-1].trail_id, 9)] == ["L-3", "L-2", "L-1"]
        assert work.trail.book_changes(5, None, 10) == []


def test_jobs_are_claimed_once_each_by_workers_at_once(store: SqlStore) -> None:
    with store.begin() as work:
        for n in range(12):
            work.jobs.add(a_job(f"j{n:02d}", NOON + timedelta(seconds=n)))
    gate = threading.Barrier(4)

    def claim_all(worker: str) -> list[str]:
        gate.wait()
        mine = []
        while True:
            with store.begin() as work:
                job = work.jobs.claim(worker, NOON, 30.0, 3)
            if job is None:
                return mine
            assert job.claimed_by == worker and job.standing is JobStanding.RUNNING and job.attempt == 1
            mine.append(job.job_id)

    with ThreadPoolExecutor(4) as pool:
        taken = [j for mine in pool.map(claim_all, "abcd") for j in mine]
    assert sorted(taken) == [f"j{n:02d}" for n in range(12)]


def test_a_silent_workers_job_is_claimed_again_and_given_up_after_three(store: SqlStore) -> None:
    with store.begin() as work:
        work.jobs.add(a_job("j"))
    now = NOON
    for attempt in (1, 2, 3):
        with store.begin() as work:
            job = work.jobs.claim(f"w{attempt}", now, 30.0, 3)
            assert job is not None and job.attempt == attempt
            assert work.jobs.claim("other", now + timedelta(seconds=29), 30.0, 3) is None
        now += timedelta(seconds=31)
    with store.begin() as work:
        assert work.jobs.beat("j", "w1", now) is None
        assert work.jobs.claim("w4", now, 30.0, 3) is None
        job = work.jobs.get("j")
    assert job is not None and job.standing is JobStanding.FAILED and "3 times" in job.why


def test_a_head_of_a_job_is_the_job_without_what_may_be_long(store: SqlStore) -> None:
    files = {"text": "a file", "texts": {"a.yaml": "b"}, "seconds": 2.5, "files": ["a"], "none": None}
    result = {"plan_id": 3, "gap": 0.1 + 0.2, "no": False, "null": None, "why": "'\"é", "list": [1], "map": {"a": {}}}
    with store.begin() as work:
        work.jobs.add(replace(a_job("a"), params=files, result=result))
        work.jobs.add(replace(a_job("b"), params={}, result={}))
        work.jobs.add(replace(a_job("c"), asked_at=NOON + timedelta(seconds=1)))
    with store.look() as work:
        head, found = work.jobs.head("a"), work.jobs.heads(None, 2)
        assert work.jobs.head("d") is None
        params = {"seconds": 2.5, "files": ["a"], "none": None}
        short = {"plan_id": 3, "gap": 0.1 + 0.2, "no": False, "null": None, "why": "'\"é"}
        assert head is not None and dict(head.params) == params and dict(head.result) == short
        assert head.result["no"] is False
        assert [x.job_id for x in found] == ["c", "b"] and found[1] == work.jobs.get("b")
        assert work.jobs.heads((NOON, "b"), 2) == [head], "of one moment none is passed over"
        assert work.jobs.heads((NOON, ""), 2) == []


def test_heads_of_editions_come_newest_first_from_a_number_on(store: SqlStore) -> None:
    with store.begin() as work:
        for version in range(1, 5):
            work.networks.add(NetworkRecord(version, b"text", f"sha {version}", NOON, "ana", ""))
    with store.look() as work:
        assert [x.version for x in work.networks.heads(2)] == [4, 3]
        assert work.networks.heads(2, 3) == [NetworkHead(n, f"sha {n}", NOON, "ana", "") for n in (2, 1)]


def test_points_come_in_order_after_a_number(store: SqlStore) -> None:
    points = [JobPoint("j", n, "incumbent", float(n), 100.0 - n, "") for n in range(1, 6)]
    with store.begin() as work:
        work.jobs.add(a_job("j"))
        work.jobs.add_points(points)
    with store.look() as work:
        assert work.jobs.points("j", 2, 9) == points[2:]
        assert work.jobs.points("j", 2, 2) == points[2:4]
        assert work.jobs.latest_points("j", 2) == points[3:]


def test_only_what_has_to_be_there_once_is_told_as_saved_by_somebody_else(store: SqlStore) -> None:
    with store.begin() as work:
        work.jobs.add(a_job("j"))
    with pytest.raises(Conflict, match="somebody else has just saved the same"), store.begin() as work:
        work.jobs.add(a_job("j"))
    with pytest.raises(sa.exc.IntegrityError), store.begin() as work:
        work.jobs.add_points([JobPoint("no such job", 1, "phase", 1.0, None, "")])
    with pytest.raises(sa.exc.IntegrityError), store.begin() as work:
        work.jobs.add(replace(a_job("k"), phase="", asked_by=None))  # type: ignore[arg-type]


def test_a_long_phase_is_cut_to_what_every_database_takes(store: SqlStore) -> None:
    with store.begin() as work:
        work.jobs.add(a_job("j"))
        work.jobs.keep(replace(a_job("j"), phase="p" * 300))
    with store.look() as work:
        job = work.jobs.get("j")
    assert job is not None and job.phase == "p" * 200


def test_a_database_that_is_none_is_said_plainly() -> None:
    with pytest.raises(StoreOut, match="expected sqlite"):
        open_store("mysql://x/y")
    with pytest.raises(StoreOut, match="is not there"):
        open_store("sqlite:////no/such/folder/book.db")


def test_a_file_that_is_no_database_is_said_to_be_none_and_left_as_it_is(tmp_path: Path) -> None:
    file = tmp_path / "notes.txt"
    file.write_text("what was said on Monday, at some length, and nothing of it is a table\n" * 50)
    before = file.read_bytes()
    for there in (True, False):
        with pytest.raises(StoreOut, match=r"notes\.txt cannot be opened: file is not a database; name the file"):
            open_store(f"sqlite:///{file}", there=there)
    assert file.read_bytes() == before and [p.name for p in tmp_path.iterdir()] == ["notes.txt"]
