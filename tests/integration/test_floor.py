"""Facts of the floor: builds that stay themselves under other plans, what can follow what, times, and taking back."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from api_client import client_of, planned_desk
from desk_builder import an_actor

from router.domain.plan import Build
from router.kernel.faults import Conflict, FaultyInput, NotFound, Refused
from router.service import events, moves
from router.service.book import get_line
from router.service.desk import Desk, Memory
from router.service.events import LEFT_OUT, events_of_build, list_events, record_event, withdraw_event
from router.service.jobs import ask_plan, get_job
from router.service.moves import keep_move, try_move
from router.service.network import NewestNetwork
from router.service.pins import set_pin
from router.service.plans import PlanInFull, accept, full_plan, live_before, live_in_full, plan_in_full, set_aside
from router.service.ports import Store, Work
from router.service.receipts import Once
from router.service.records import Actor, EventKind, EventRecord, PlanStanding, Role
from router.service.snapshot import snapshot
from router.store.book_rows import EventRows
from router.worker import Worker

HOUR = timedelta(hours=1)


@pytest.fixture
def desk(planned: Path, tmp_path: Path) -> Iterator[Desk]:
    desk = planned_desk(planned, tmp_path)
    yield desk
    desk.store.close()  # type: ignore[attr-defined]


@pytest.fixture
def boss(desk: Desk) -> Actor:
    return an_actor(desk, "boss", Role.ADMINISTRATOR)


def builds_of(desk: Desk) -> list[Build]:
    return sorted(live_in_full(desk).result.plan.builds, key=lambda b: (b.load_start, b.build_id))


def a_machine_with_two(desk: Desk) -> tuple[Build, Build]:
    """The first two builds of a machine that has several."""
    builds = builds_of(desk)
    for build in builds:
        queue = [b for b in builds if b.machine_id == build.machine_id]
        if len(queue) > 1:
            return queue[0], queue[1]
    raise AssertionError("the small plan has no machine with two builds")


def record(desk: Desk, boss: Actor, kind: EventKind, subject: str, at: datetime, **told: object) -> int:
    return record_event(desk, boss, kind, subject, at, told).event_id


def left_of(desk: Desk, line_id: str) -> int:
    line = snapshot(desk).scenario.line.get(line_id)
    return line.quantity if line else 0


def a_move(desk: Desk, boss: Actor, plan_id: int) -> tuple[Build, str, str | None]:
    """A move by hand that the auditor takes and that gives the first build of a machine another name."""
    first, second = a_machine_with_two(desk)
    for build, after in ((first, second.build_id), (second, None)):
        tried = try_move(desk, boss, plan_id, build.build_id, build.machine_id, after)
        if tried.possible and not tried.findings:
            return build, build.machine_id, after
    raise AssertionError("neither of two builds may go to the other's place")


def test_a_build_keeps_its_identity_through_moves_and_a_run_gives_new_ones(desk: Desk, boss: Actor) -> None:
    plan_id = live_in_full(desk).head.plan_id
    ids = {b.lasting_id: b for b in builds_of(desk)}
    assert len(ids) == len(builds_of(desk)) and all(ids)
    build, machine_id, after = a_move(desk, boss, plan_id)
    moved = full_plan(desk, boss, keep_move(desk, boss, plan_id, build.build_id, machine_id, after).plan_id).result.plan
    assert {b.lasting_id for b in moved.builds} == set(ids)
    renamed = [b for b in moved.builds if ids[b.lasting_id].build_id != b.build_id]
    assert renamed
    for b in moved.builds:
        assert b.pieces_by_line() == ids[b.lasting_id].pieces_by_line()
    job = ask_plan(desk, boss, seconds=1, from_nothing=True)
    assert Worker(desk).once()
    fresh = full_plan(desk, boss, int(get_job(desk, boss, job.job_id).result["plan_id"])).result.plan
    assert not set(ids) & {b.lasting_id for b in fresh.builds} and all(b.lasting_id for b in fresh.builds)


def test_a_started_build_starts_once_and_is_taken_off_once_whatever_its_name(desk: Desk, boss: Actor) -> None:
    plan_id = live_in_full(desk).head.plan_id
    build, machine_id, after = a_move(desk, boss, plan_id)
    moved_id = keep_move(desk, boss, plan_id, build.build_id, machine_id, after).plan_id
    accept(desk, boss, moved_id, 1)
    queue = [b for b in builds_of(desk) if b.machine_id == machine_id]
    first = queue[0]
    before = {x: left_of(desk, x) for x in first.pieces_by_line()}
    event = record_event(desk, boss, EventKind.BUILD_STARTED, first.build_id, first.load_start)
    assert event.lasting_id == first.lasting_id
    for line_id, n in first.pieces_by_line().items():
        assert left_of(desk, line_id) == before[line_id] - n
    # Another move behind it gives other builds other names; the one that runs stays the one that runs.
    accept_again = keep_move(desk, boss, moved_id, queue[1].build_id, machine_id, first.build_id).plan_id
    accept(desk, boss, accept_again, 1)
    same = next(b for b in builds_of(desk) if b.lasting_id == first.lasting_id)
    for name in (same.build_id, same.lasting_id):
        with pytest.raises(Conflict, match="cannot follow, it is running since"):
            record_event(desk, boss, EventKind.BUILD_STARTED, name, first.load_start + HOUR)
    for line_id, n in first.pieces_by_line().items():
        assert left_of(desk, line_id) == before[line_id] - n
    record(desk, boss, EventKind.BUILD_FINISHED, same.build_id, first.unload_end)
    assert [e.kind for e in events_of_build(desk, boss, first.lasting_id)] == [
        EventKind.BUILD_STARTED,
        EventKind.BUILD_FINISHED,
    ]


def test_a_build_under_way_is_not_moved_and_nothing_goes_before_it(desk: Desk, boss: Actor) -> None:
    plan_id = live_in_full(desk).head.plan_id
    first, second = a_machine_with_two(desk)
    record(desk, boss, EventKind.BUILD_STARTED, first.build_id, first.load_start)
    tried = try_move(desk, boss, plan_id, first.build_id, first.machine_id, second.build_id)
    assert not tried.possible and "running since" in tried.reasons[0] and "stays where it is" in tried.reasons[0]
    tried = try_move(desk, boss, plan_id, second.build_id, first.machine_id, None)
    assert not tried.possible and tried.reasons == (
        f"build {first.build_id} on {first.machine_id} is running; nothing goes before it",
    )


def test_a_build_that_runs_when_a_new_plan_goes_live_stays_the_same_build(desk: Desk, boss: Actor) -> None:
    first = a_machine_with_two(desk)[0]
    record(desk, boss, EventKind.BUILD_STARTED, first.build_id, first.load_start)
    job = ask_plan(desk, boss, seconds=1)
    assert Worker(desk).once()
    new_id = int(get_job(desk, boss, job.job_id).result["plan_id"])
    accept(desk, boss, new_id, 1)
    line_id, n = next(iter(first.pieces_by_line().items()))
    quantity = get_line(desk, boss, line_id).quantity
    assert left_of(desk, line_id) == quantity - n
    namesake = next((b for b in builds_of(desk) if b.build_id == first.build_id), None)
    assert namesake is not None and namesake.lasting_id != first.lasting_id
    # The machine is taken: the new build of that name waits, and "finished" is said of the one that runs.
    with pytest.raises(Conflict, match=f"runs build {first.build_id} since .* finished or failed"):
        record(desk, boss, EventKind.BUILD_STARTED, namesake.build_id, first.load_start + HOUR)
    done = record_event(desk, boss, EventKind.BUILD_FINISHED, first.build_id, first.unload_end)
    assert done.lasting_id == first.lasting_id
    record(desk, boss, EventKind.BUILD_STARTED, namesake.build_id, max(namesake.load_start, first.unload_end))
    assert left_of(desk, line_id) == quantity - n - namesake.pieces_by_line()[line_id]
    assert [e.event_id for e in events_of_build(desk, boss, namesake.lasting_id)] == [done.event_id + 1]


def test_a_plan_that_builds_started_pieces_again_does_not_go_live(desk: Desk, boss: Actor) -> None:
    job = ask_plan(desk, boss, seconds=1, from_nothing=True)
    assert Worker(desk).once()  # made before the build starts
    first = a_machine_with_two(desk)[0]
    started = record(desk, boss, EventKind.BUILD_STARTED, first.build_id, first.load_start)
    new_id = int(get_job(desk, boss, job.job_id).result["plan_id"])
    with pytest.raises(Conflict, match=f"{first.build_id}.*again; plan again"):
        accept(desk, boss, new_id, 1)
    withdraw_event(desk, boss, started, "the wrong machine")
    assert accept(desk, boss, new_id, 1).standing is PlanStanding.LIVE


def test_a_plan_with_a_started_build_at_another_time_does_not_go_live(desk: Desk, boss: Actor) -> None:
    plan_id = live_in_full(desk).head.plan_id
    build, machine_id, after = a_move(desk, boss, plan_id)
    moved_id = keep_move(desk, boss, plan_id, build.build_id, machine_id, after).plan_id
    first = a_machine_with_two(desk)[0]
    again = next(b for b in plan_in_full(desk, moved_id).result.plan.builds if b.lasting_id == first.lasting_id)
    assert again.machine_id == first.machine_id and again.load_start != first.load_start
    # It begins a little later than planned: what counts is that the plan has moved it, not that the floor is late.
    started = record(desk, boss, EventKind.BUILD_STARTED, first.build_id, first.load_start + HOUR / 4)
    with pytest.raises(Conflict, match=rf"{again.build_id} is running since .* planned for .* plan again"):
        accept(desk, boss, moved_id, 1)
    queue = [b for b in builds_of(desk) if b.machine_id != machine_id]
    same = keep_move(desk, boss, plan_id, queue[-1].build_id, queue[-1].machine_id, behind(queue)).plan_id
    assert accept(desk, boss, same, 1).standing is PlanStanding.LIVE
    withdraw_event(desk, boss, started, "the wrong plate")


def behind(queue: list[Build]) -> str | None:
    """The build before the last one on its machine."""
    before = [b.build_id for b in queue[:-1] if b.machine_id == queue[-1].machine_id]
    return before[-1] if before else None


@pytest.mark.parametrize("what", ["started", "pinned", "superseded"])
def test_a_move_is_looked_at_again_in_the_moment_it_is_kept(
    desk: Desk, boss: Actor, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    plan_id = live_in_full(desk).head.plan_id
    build, machine_id, after = a_move(desk, boss, plan_id)
    other = keep_move(desk, boss, plan_id, build.build_id, machine_id, after).plan_id
    first = a_machine_with_two(desk)[0]
    real = moves.audit_change

    def meanwhile(*asked: Any) -> Any:
        if what == "started":
            record(desk, boss, EventKind.BUILD_STARTED, first.build_id, first.load_start)
        elif what == "pinned":
            set_pin(desk, boss, plan_id, first.build_id, True)
        else:
            accept(desk, boss, other, 1)
        return real(*asked)

    monkeypatch.setattr(moves, "audit_change", meanwhile)
    words = {"started": "is running since", "pinned": "is pinned", "superseded": "superseded now"}
    with pytest.raises(Conflict, match=words[what]):
        keep_move(desk, boss, plan_id, build.build_id, machine_id, after)
    with desk.store.look() as work:
        assert work.plans.heads(1)[0].plan_id == other  # nothing was kept


def test_scrap_of_hidden_pieces_is_told_and_taken_back_by_cleared_people_only(desk: Desk, boss: Actor) -> None:
    with desk.store.look() as work:
        secret = {x.line_id for x in work.lines.all() if x.export_control}
    live = live_in_full(desk)
    build = next(b for b in builds_of(desk) if secret & set(b.pieces_by_line()))
    hidden = next(iter(secret & set(build.pieces_by_line())))
    seen = sorted(set(build.pieces_by_line()) - secret)
    site = live.scenario.network.machine[build.machine_id].site_id
    olga = an_actor(desk, "olga", Role.SITE_OPERATOR, sites=(site,))
    record(desk, boss, EventKind.BUILD_STARTED, build.build_id, build.load_start)
    later = build.load_start + HOUR
    before = left_of(desk, hidden)
    with pytest.raises((FaultyInput, Refused)) as caught:
        record(desk, olga, EventKind.PIECES_SCRAPPED, build.build_id, later, pieces={hidden: 1})
    assert hidden not in str(caught.value).replace(f"{hidden}: 1", "") and left_of(desk, hidden) == before
    if seen:
        told = record_event(desk, olga, EventKind.PIECES_SCRAPPED, build.build_id, later, {"pieces": {seen[0]: 1}})
        assert told.details["left_as_they_were"] == LEFT_OUT and left_of(desk, hidden) == before
        withdraw_event(desk, olga, told.event_id, "it was sound")
    scrap = record_event(desk, boss, EventKind.PIECES_SCRAPPED, build.build_id, later, {"pieces": {hidden: 1}})
    assert "left_as_they_were" not in scrap.details and left_of(desk, hidden) == before + 1
    with pytest.raises(Refused, match="a cleared person has to withdraw it") as refused:
        withdraw_event(desk, olga, scrap.event_id, "it was sound")
    assert hidden not in str(refused.value) and left_of(desk, hidden) == before + 1
    withdraw_event(desk, boss, scrap.event_id, "it was sound")
    # A whole build is said to have failed, and not to have: the pieces nobody names are counted.
    failed = record(desk, olga, EventKind.BUILD_FAILED, build.build_id, later)
    back = withdraw_event(desk, olga, failed, "the other machine")
    assert back.details["pieces"]["restricted"] == build.pieces_by_line()[hidden] and left_of(desk, hidden) == before


def test_only_what_the_table_allows_is_taken(desk: Desk, boss: Actor) -> None:
    first, second = a_machine_with_two(desk)
    name, at = first.build_id, first.load_start
    line_id, n = next(iter(first.pieces_by_line().items()))
    for kind in (EventKind.BUILD_FINISHED, EventKind.BUILD_FAILED):
        with pytest.raises(Conflict, match="it is not started; what can: build started"):
            record(desk, boss, kind, name, at)
    with pytest.raises(Conflict, match="not started"):
        record(desk, boss, EventKind.PIECES_SCRAPPED, name, at, pieces={line_id: 1})
    record(desk, boss, EventKind.BUILD_STARTED, name, at)
    with pytest.raises(Conflict, match=f"{first.machine_id} runs build {name}"):
        record(desk, boss, EventKind.BUILD_STARTED, second.build_id, at + HOUR)
    with pytest.raises(Conflict, match="not started"):  # before it began
        record(desk, boss, EventKind.BUILD_FINISHED, name, at - HOUR)
    record(desk, boss, EventKind.BUILD_FINISHED, name, first.unload_end)
    record(desk, boss, EventKind.PIECES_SCRAPPED, name, first.unload_end, pieces={line_id: n})
    with pytest.raises(FaultyInput):
        record(desk, boss, EventKind.PIECES_SCRAPPED, name, first.unload_end, pieces={line_id: 1})
    for other, left in dict(first.pieces_by_line()).items():
        if other != line_id:
            record(desk, boss, EventKind.PIECES_SCRAPPED, name, first.unload_end, pieces={other: left})
    with pytest.raises(FaultyInput, match="pieces left to scrap"):
        record(desk, boss, EventKind.PIECES_SCRAPPED, name, first.unload_end, pieces={line_id: 1})
    with pytest.raises(Conflict, match=r"it is finished since .*; what can: pieces scrapped"):
        record(desk, boss, EventKind.BUILD_FAILED, name, first.unload_end + HOUR)
    with pytest.raises(Conflict, match="it is finished"):
        record(desk, boss, EventKind.BUILD_STARTED, name, first.unload_end + HOUR)
    assert left_of(desk, line_id) == get_line(desk, boss, line_id).quantity
    record(desk, boss, EventKind.BUILD_STARTED, second.build_id, max(second.load_start, first.unload_end))


def test_machine_events_count_in_the_order_they_occurred(desk: Desk, boss: Actor) -> None:
    first = builds_of(desk)[0]
    machine, at = first.machine_id, first.load_start
    with pytest.raises(Conflict, match=f"machine {machine}: machine up .* it is up then; what can: machine down"):
        record(desk, boss, EventKind.MACHINE_UP, machine, at)
    record(desk, boss, EventKind.MACHINE_DOWN, machine, at)
    with pytest.raises(Conflict, match=r"is down since .* record first that it is up"):
        record(desk, boss, EventKind.BUILD_STARTED, first.build_id, at + HOUR)
    record(desk, boss, EventKind.MACHINE_UP, machine, at + 2 * HOUR)
    # Recorded late: what happened before "up" does not take the machine down now.
    record(desk, boss, EventKind.MACHINE_DOWN, machine, at + HOUR, until=(at + 40 * HOUR).isoformat())
    plain = live_in_full(desk).scenario.network.machine[machine]
    assert snapshot(desk).scenario.network.machine[machine].maintenance == plain.maintenance
    record(desk, boss, EventKind.BUILD_STARTED, first.build_id, at + 3 * HOUR)
    # A machine that was down all the while cannot have begun a build.
    with pytest.raises(Conflict, match="cannot be: event"):
        record(desk, boss, EventKind.MACHINE_DOWN, machine, at + 2.5 * HOUR)


def test_times_out_of_reach_are_refused(desk: Desk, boss: Actor) -> None:
    first = builds_of(desk)[0]
    now = snapshot(desk).scenario.network.now
    for at in (datetime(2099, 1, 1, tzinfo=UTC), datetime(2035, 1, 1, tzinfo=UTC), datetime(1999, 1, 1, tzinfo=UTC)):
        for kind, subject in (
            (EventKind.MACHINE_DOWN, first.machine_id),
            (EventKind.BUILD_STARTED, first.build_id),
        ):
            with pytest.raises(FaultyInput, match="a time between"):
                record(desk, boss, kind, subject, at)
    with pytest.raises(FaultyInput, match="at most 366 days after"):
        record(desk, boss, EventKind.MACHINE_DOWN, first.machine_id, now, until="2099-01-01T00:00:00Z")
    assert list_events(desk, boss) == [] and snapshot(desk).scenario.network.now == now


def test_with_a_clock_nothing_lies_ahead_of_it(planned: Path, desk: Desk, boss: Actor) -> None:
    first = builds_of(desk)[0]
    ours = Desk(desk.store, planned / "cache", clock=lambda: first.load_start, plans_from_now=True)
    record(ours, boss, EventKind.MACHINE_DOWN, first.machine_id, first.load_start + timedelta(minutes=9))
    with pytest.raises(FaultyInput, match="10 minutes after it"):
        record(ours, boss, EventKind.MACHINE_DOWN, first.machine_id, first.load_start + timedelta(minutes=11))
    with pytest.raises(FaultyInput, match="90 days before the clock"):
        record(ours, boss, EventKind.MACHINE_DOWN, first.machine_id, first.load_start - timedelta(days=91))


def test_a_shipment_is_one_of_the_plan_leaves_once_and_after_its_builds(desk: Desk, boss: Actor) -> None:
    plan = live_in_full(desk).result.plan
    with pytest.raises(NotFound, match="no shipment 'a-name-of-any-kind' in the live plan"):
        record(desk, boss, EventKind.SHIPMENT_SENT, "a-name-of-any-kind", plan.now)
    firsts = {b.machine_id: b.build_id for b in reversed(builds_of(desk))}
    shipment = next(s for s in plan.shipments if set(s.build_ids) <= set(firsts.values()))
    with pytest.raises(Conflict, match="is not started then; record first that it finished"):
        record(desk, boss, EventKind.SHIPMENT_SENT, shipment.shipment_id, shipment.ready_at)
    for build in builds_of(desk):
        if build.build_id in shipment.build_ids:
            record(desk, boss, EventKind.BUILD_STARTED, build.build_id, build.load_start)
            record(desk, boss, EventKind.BUILD_FINISHED, build.build_id, build.unload_end)
    event = record_event(desk, boss, EventKind.SHIPMENT_SENT, shipment.shipment_id, shipment.ready_at)
    assert event.site_id == shipment.site_id
    with pytest.raises(Conflict, match="it is sent already"):
        record(desk, boss, EventKind.SHIPMENT_SENT, shipment.shipment_id, shipment.ready_at + HOUR)
    last = events_of_build(desk, boss, event.details["builds"][0])[-1]
    with pytest.raises(Conflict, match=rf"rest on it: {event.event_id} \(shipment sent\)"):
        withdraw_event(desk, boss, last.event_id, "another one")
    withdraw_event(desk, boss, event.event_id, "still in the yard")
    record(desk, boss, EventKind.SHIPMENT_SENT, shipment.shipment_id, shipment.ready_at + HOUR)


def test_an_event_is_withdrawn_by_another_one(desk: Desk, boss: Actor) -> None:
    first = builds_of(desk)[0]
    before = snapshot(desk)
    started = record(desk, boss, EventKind.BUILD_STARTED, first.build_id, first.load_start)
    finished = record(desk, boss, EventKind.BUILD_FINISHED, first.build_id, first.unload_end)
    with pytest.raises(Conflict, match=rf"event {started} cannot be withdrawn, .*{finished} \(build finished\)"):
        withdraw_event(desk, boss, started, "never began")
    with pytest.raises(FaultyInput, match="the reason"):
        withdraw_event(desk, boss, finished, "  ")
    with pytest.raises(NotFound):
        withdraw_event(desk, boss, 999, "x")
    viewer = an_actor(desk, "vic", Role.VIEWER)
    with pytest.raises(Refused, match="role"):
        withdraw_event(desk, viewer, finished, "x")
    with pytest.raises(NotFound):
        withdraw_event(desk, an_actor(desk, "zoe", Role.SITE_OPERATOR, ("elsewhere",)), finished, "x")
    once = Once.of("k", {"e": finished})
    taken_back = withdraw_event(desk, boss, finished, "the wrong plate", once)
    assert withdraw_event(desk, boss, finished, "the wrong plate", once) == taken_back
    assert taken_back.details["withdraws"] == finished and taken_back.details["why"] == "the wrong plate"
    assert taken_back.by == "boss" and taken_back.lasting_id == first.lasting_id
    with pytest.raises(Conflict, match="withdrawn already"):
        withdraw_event(desk, boss, finished, "x")
    with pytest.raises(Conflict, match="record the fact anew"):
        withdraw_event(desk, boss, taken_back.event_id, "x")
    withdraw_event(desk, boss, started, "never began")
    after = snapshot(desk)
    assert after.scenario.lines == before.scenario.lines and after.scenario.network == before.scenario.network
    assert [e.event_id for e in list_events(desk, boss)] == [1, 2, 3, 4]  # nothing is taken away
    with pytest.raises(FaultyInput, match="by their number"):
        record(desk, boss, EventKind.EVENT_WITHDRAWN, first.build_id, first.load_start)
    record(desk, boss, EventKind.BUILD_STARTED, first.build_id, first.load_start)


def test_a_plan_moved_from_one_that_is_no_longer_live_is_not_accepted(desk: Desk, boss: Actor) -> None:
    plan_id = live_in_full(desk).head.plan_id
    build, machine_id, after = a_move(desk, boss, plan_id)
    one = keep_move(desk, boss, plan_id, build.build_id, machine_id, after)
    two = keep_move(desk, boss, plan_id, build.build_id, machine_id, after)
    on_one = keep_move(desk, boss, one.plan_id, builds_of(desk)[0].build_id, builds_of(desk)[0].machine_id, None)
    accept(desk, boss, one.plan_id, 1)
    with pytest.raises(Conflict, match=rf"plan {one.plan_id} is live now, whose moves would be lost: {one.note}"):
        accept(desk, boss, two.plan_id, 1)
    assert live_in_full(desk).head.plan_id == one.plan_id
    # Moves on moves go on from the live plan; going back to a plan that was live once is said by doing it.
    accept(desk, boss, on_one.plan_id, 1)
    accept(desk, boss, plan_id, 3)
    assert live_in_full(desk).head.plan_id == plan_id


def test_a_move_that_was_set_aside_is_not_asked_for_again(desk: Desk, boss: Actor) -> None:
    plan_id = live_in_full(desk).head.plan_id
    build, machine_id, after = a_move(desk, boss, plan_id)
    one = keep_move(desk, boss, plan_id, build.build_id, machine_id, after)
    two = keep_move(desk, boss, plan_id, build.build_id, machine_id, after)
    queue = [b for b in builds_of(desk) if b.machine_id != machine_id]
    on_one = keep_move(desk, boss, one.plan_id, queue[-1].build_id, queue[-1].machine_id, behind(queue))
    assert on_one.note != one.note and not on_one.findings
    accept(desk, boss, two.plan_id, 1)
    with pytest.raises(Conflict) as refused:
        accept(desk, boss, on_one.plan_id, 1)
    assert str(refused.value).endswith(f"move again on plan {two.plan_id}: {one.note}; {on_one.note}")
    set_aside(desk, boss, one.plan_id, 1)
    with pytest.raises(Conflict) as refused:
        accept(desk, boss, on_one.plan_id, 1)
    assert str(refused.value).endswith(f"move again on plan {two.plan_id}: {on_one.note}")


def test_the_interface_withdraws_too(desk: Desk) -> None:
    client = client_of(desk)
    first = builds_of(desk)[0]
    body = {"kind": "build started", "subject": first.lasting_id, "occurred_at": first.load_start.isoformat()}
    event = client.post("/api/v1/events", json=body).json()
    assert event["lasting_id"] == first.lasting_id and event["subject"] == first.build_id
    place = f"/api/v1/events/{event['event_id']}/withdraw"
    assert client.post(place, json={"why": " "}).status_code == 422
    answer = client.post(place, json={"why": "wrong plate"}, headers={"Idempotency-Key": "w"})
    assert answer.status_code == 201 and answer.json()["details"]["withdraws"] == event["event_id"]
    assert client.post(place, json={"why": "wrong plate"}, headers={"Idempotency-Key": "w"}).json() == answer.json()
    assert client.post(place, json={"why": "wrong plate"}).status_code == 409
    builds = client.get(f"/api/v1/plans/{live_in_full(desk).head.plan_id}/builds").json()
    assert {b["lasting_id"] for b in builds} == {b.lasting_id for b in builds_of(desk)}


def test_a_plan_that_goes_live_meanwhile_is_the_one_a_fact_is_held_against(
    desk: Desk, boss: Actor, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, _ = a_machine_with_two(desk)
    job = ask_plan(desk, boss, seconds=2, seed=9, from_nothing=True)
    assert Worker(desk).once()
    other = int(get_job(desk, boss, job.job_id).result["plan_id"])
    read = events.live_now

    def then_another(desk: Desk) -> PlanInFull | None:
        """Another goes live where the live plan has been read and nothing is held yet."""
        found = read(desk)
        if live_in_full(desk).head.plan_id != other:
            accept(desk, boss, other, 1)
        return found

    monkeypatch.setattr(events, "live_now", then_another)
    with pytest.raises(NotFound, match=r"no build .* in the live plan"):
        record_event(desk, boss, EventKind.BUILD_STARTED, first.lasting_id, first.load_start)
    assert list_events(desk, boss) == []
    new = builds_of(desk)[0]
    assert record_event(desk, boss, EventKind.BUILD_STARTED, new.build_id, new.load_start).details["plan_id"] == other


class OneConnection:
    """A store that gives nobody a second connection while a transaction that writes is open."""

    def __init__(self, store: Store) -> None:
        self._store, self.writing = store, False

    @contextmanager
    def begin(self) -> Iterator[Work]:
        assert not self.writing
        self.writing = True
        try:
            with self._store.begin() as work:
                yield work
        finally:
            self.writing = False

    def look(self) -> AbstractContextManager[Work]:
        assert not self.writing, "a look from inside a transaction that writes: with all connections taken it waits"
        return self._store.look()


def test_nothing_looks_from_inside_a_transaction_that_others_wait_for(desk: Desk, boss: Actor) -> None:
    job = ask_plan(desk, boss, seconds=2, seed=9, from_nothing=True)
    assert Worker(desk).once()
    other = int(get_job(desk, boss, job.job_id).result["plan_id"])
    first_id = live_in_full(desk).head.plan_id
    narrow = replace(desk, store=OneConnection(desk.store))  # type: ignore[arg-type]
    accept(narrow, boss, other, 1)
    assert live_before(desk, boss, other) == first_id and live_before(desk, boss, first_id) is None
    # Back to the first: before it the second was live, though its number is larger.
    accept(narrow, boss, first_id, full_plan(desk, boss, first_id).head.version)
    assert live_before(desk, boss, first_id) == other
    first = builds_of(narrow)[0]
    record_event(narrow, boss, EventKind.BUILD_STARTED, first.build_id, first.load_start)
    with pytest.raises(NotFound, match="no shipment"):
        record_event(narrow, boss, EventKind.SHIPMENT_SENT, "no such", first.load_start)


def test_what_happened_is_played_before_others_have_to_wait(
    desk: Desk, boss: Actor, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = OneConnection(desk.store)
    narrow = replace(desk, store=store, memory=Memory())  # type: ignore[arg-type]
    read: list[bool] = []
    every = EventRows.all

    def noticed(rows: EventRows) -> list[EventRecord]:
        read.append(store.writing)
        return every(rows)

    monkeypatch.setattr(EventRows, "all", noticed)
    plan_id, build = live_in_full(desk).head.plan_id, builds_of(desk)[-1]
    down = record(narrow, boss, EventKind.MACHINE_DOWN, build.machine_id, build.load_start - 9 * HOUR)
    withdraw_event(narrow, boss, down, "mistaken")
    moved, machine_id, after = a_move(desk, boss, plan_id)
    kept = keep_move(narrow, boss, plan_id, moved.build_id, machine_id, after)
    accept(narrow, boss, kept.plan_id, 1)
    assert read and not any(read)


def test_what_comes_between_is_judged_once_more(desk: Desk, boss: Actor, monkeypatch: pytest.MonkeyPatch) -> None:
    build, there = builds_of(desk)[0], events.network_there
    started = partial(record, desk, boss, EventKind.BUILD_STARTED, build.build_id, build.load_start)
    came: list[int] = []

    def another_starts_it(work: Work, of: Desk) -> NewestNetwork:
        monkeypatch.undo()
        with ThreadPoolExecutor(1) as other:
            came.append(other.submit(started).result())
        return there(work, of)

    monkeypatch.setattr(events, "network_there", another_starts_it)
    with pytest.raises(Conflict, match="running"):
        started()
    assert [e.event_id for e in events_of_build(desk, boss, build.lasting_id)] == came
