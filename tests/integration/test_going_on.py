"""Runs that go on from the live plan, builds that are pinned, and a line moved to another plate."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from threading import get_ident

import pytest
from api_client import a_free_move, client_of, planned_desk
from desk_builder import an_actor
from fastapi.testclient import TestClient

from router.domain.plan import Build
from router.domain.result import LineOptions
from router.kernel.faults import Conflict, FaultyInput, NotFound, Refused
from router.planning.disturbance import same_plate, same_run
from router.service import ports, quantities
from router.service.book import get_line, withdraw
from router.service.compare import compare_plans
from router.service.desk import Desk
from router.service.events import record_event
from router.service.going_on import going_on
from router.service.jobs import ask_elsewhere, ask_plan, get_job, list_jobs
from router.service.moves import keep_line_move, keep_move, try_line_move, try_move
from router.service.options import open_plan, where_to_build
from router.service.pins import pinned_builds, set_pin
from router.service.plans import NewPlan, accept, full_plan, keep_plan, live_in_full, plan_in_full, ready_plan
from router.service.ports import Work
from router.service.records import Actor, EventKind, JobRecord, JobStanding, LineRecord, Role
from router.service.trail import list_trail
from router.service.visible import RESTRICTED_TEXT
from router.store import SqlStore
from router.worker import Worker
from router.worker.messages import ElsewhereAsked
from router.worker.tasks import task_of


@pytest.fixture
def desk(planned: Path, tmp_path: Path) -> Iterator[Desk]:
    desk = planned_desk(planned, tmp_path)
    yield desk
    desk.store.close()  # type: ignore[attr-defined]


@pytest.fixture
def boss(desk: Desk) -> Actor:
    return an_actor(desk, "boss", Role.ADMINISTRATOR)


@pytest.fixture
def client(desk: Desk) -> Iterator[TestClient]:
    with client_of(desk) as client:
        yield client


def builds_of(desk: Desk, plan_id: int) -> list[Build]:
    return sorted(plan_in_full(desk, plan_id).result.plan.builds, key=lambda b: (b.load_start, b.build_id))


def ran(desk: Desk, boss: Actor, **asked: float) -> JobRecord:
    job = ask_plan(desk, boss, seconds=2, seed=9, **asked)  # type: ignore[arg-type]
    assert Worker(desk).once()
    return get_job(desk, boss, job.job_id)


def test_plans_are_packed_while_nobody_waits_for_the_database(
    desk: Desk, boss: Actor, monkeypatch: pytest.MonkeyPatch
) -> None:
    begin, packed = SqlStore.begin, ports.packed
    writing: set[int] = set()
    packed_in_a_transaction: list[bool] = []

    @contextmanager
    def watched(store: SqlStore) -> Iterator[Work]:
        with begin(store) as work:
            writing.add(get_ident())
            try:
                yield work
            finally:
                writing.discard(get_ident())

    def noticed(text: str) -> bytes:
        packed_in_a_transaction.append(get_ident() in writing)
        return packed(text)

    monkeypatch.setattr(SqlStore, "begin", watched)
    monkeypatch.setattr(ports, "packed", noticed)
    ran(desk, boss)
    last = queue(desk)[-1]
    keep_move(desk, boss, 1, last.build_id, last.machine_id, None)
    ask_elsewhere(desk, boss, "1001-1", 1)
    assert Worker(desk).once()
    assert len(packed_in_a_transaction) >= 6 and not any(packed_in_a_transaction)


def test_a_run_goes_on_from_the_live_plan_and_tells_what_it_disturbed(desk: Desk, boss: Actor) -> None:
    job = ran(desk, boss, keep_h=8760)
    assert job.standing is JobStanding.DONE, job.why
    old, new = builds_of(desk, 1), builds_of(desk, int(job.result["plan_id"]))
    assert job.result["from_plan"] == 1 and job.result["near"] == len(old)
    assert {same_run(b) for b in old} <= {same_run(b) for b in new}
    # What is said of a build on the floor holds for it in the new plan too.
    ids = {same_run(b): b.lasting_id for b in new}
    assert all(b.lasting_id and ids[same_run(b)] == b.lasting_id for b in old)
    told = job.result["disturbance"]
    assert told["builds"] == told["builds_as_before"] == len(old) and told["lines_later"] == 0
    assert plan_in_full(desk, int(job.result["plan_id"])).head.parent == 1
    compared = compare_plans(desk, boss, 1, int(job.result["plan_id"]))
    assert compared.disturbed.builds_as_before == len(old) and compared.later == ()


def test_a_run_from_nothing_names_no_plan_and_faults_are_told(desk: Desk, boss: Actor) -> None:
    job = ran(desk, boss, from_nothing=True)
    assert job.result["from_plan"] is None and "disturbance" not in job.result
    assert plan_in_full(desk, int(job.result["plan_id"])).head.parent is None
    with pytest.raises(FaultyInput, match="keep_h"):
        ask_plan(desk, boss, keep_h=-1)


def test_hours_choose_what_is_near(desk: Desk) -> None:
    live = live_in_full(desk)
    now = live.scenario.network.now
    builds = builds_of(desk, 1)
    begins = {b.build_id: b.changeover.start if b.changeover else b.load_start for b in builds}
    for hours in (0, 24, 72, 8760):
        found = going_on(desk, now, hours)
        assert found is not None and found.plan_id == 1 and found.pinned == ()
        assert set(found.near) == {b for b, t in begins.items() if t < now + timedelta(hours=hours)}


def test_a_started_build_is_not_gone_on_from(desk: Desk, boss: Actor) -> None:
    first = builds_of(desk, 1)[0]
    record_event(desk, boss, EventKind.BUILD_STARTED, first.build_id, first.load_start)
    found = going_on(desk, first.load_start, 8760)
    assert found is not None and first.build_id not in {b.build_id for b in found.start.builds}
    job = ran(desk, boss, keep_h=8760)
    assert job.standing is JobStanding.DONE, job.why
    assert job.result["left_out"] == [] and job.result["disturbance"]["builds"] == len(builds_of(desk, 1)) - 1
    record_event(desk, boss, EventKind.BUILD_FAILED, first.build_id, first.load_start + timedelta(hours=1))
    again = going_on(desk, first.load_start, 8760)
    assert again is not None and first.build_id in {b.build_id for b in again.start.builds}


def test_a_started_build_stays_when_a_line_is_tried_elsewhere(desk: Desk, boss: Actor) -> None:
    first, line_id = movable_line_of_an_early_build(desk)
    record_event(desk, boss, EventKind.BUILD_STARTED, first.build_id, first.load_start)
    job = ask_elsewhere(desk, boss, line_id, seconds=1)
    assert Worker(desk).once()
    done = get_job(desk, boss, job.job_id)
    assert done.standing is JobStanding.DONE, done.why
    sites = {x["site_id"]: x for x in done.result["sites"]}
    # Its pieces are being built: nowhere else, and no plan has the build otherwise than as it began.
    home = plan_in_full(desk, 1).scenario.network.machine[first.machine_id].site_id
    assert all(x["plan_id"] is None for name, x in sites.items() if name not in ("", home))
    kept = [int(x["plan_id"]) for x in sites.values() if x["plan_id"] is not None]
    assert kept
    for plan_id in kept:
        assert same_run(first) in {same_run(b) for b in builds_of(desk, plan_id)}
    # One that failed does not hold its pieces any more.
    record_event(desk, boss, EventKind.BUILD_FAILED, first.build_id, first.load_start + timedelta(hours=1))
    ask_elsewhere(desk, boss, line_id, seconds=1)
    with desk.store.begin() as work:
        claimed = work.jobs.claim("w", desk.clock(), 30.0, 3)
    assert claimed is not None
    asked = task_of(desk, claimed).asked
    assert isinstance(asked, ElsewhereAsked) and asked.keep == ()


def movable_line_of_an_early_build(desk: Desk) -> tuple[Build, str]:
    """The first build of a machine with a line that could go to another site too."""
    full = plan_in_full(desk, 1)
    options = {o.line_id: o for o in full.result.options}
    firsts: dict[str, Build] = {}
    for build in builds_of(desk, 1):
        firsts.setdefault(build.machine_id, build)
    for build in firsts.values():
        for share in build.shares:
            if sum(s.possible for s in options[share.line_id].sites) > 1:
                return build, share.line_id
    raise AssertionError("no line of a first build could go elsewhere")


def test_a_pinned_build_stays_in_runs_and_its_pin_goes_along(desk: Desk, boss: Actor) -> None:
    last = builds_of(desk, 1)[-1]
    set_pin(desk, boss, 1, last.build_id, True)
    job = ran(desk, boss, keep_h=0)
    assert job.result["pinned"] == 1
    plan_id = int(job.result["plan_id"])
    same = [b for b in builds_of(desk, plan_id) if same_run(b) == same_run(last)]
    assert len(same) == 1 and pinned_builds(desk, boss, plan_id) == {same[0].build_id: "boss"}


def test_a_pinned_build_that_lost_a_line_fails_the_run_with_the_reason(desk: Desk, boss: Actor) -> None:
    build = builds_of(desk, 1)[0]
    line_id = build.shares[0].line_id
    set_pin(desk, boss, 1, build.build_id, True)
    withdraw(desk, boss, line_id, "not wanted", get_line(desk, boss, line_id).version)
    job = ran(desk, boss)
    assert job.standing is JobStanding.FAILED
    assert build.build_id in job.why and "release it" in job.why
    set_pin(desk, boss, 1, build.build_id, False)
    job = ran(desk, boss)
    assert job.standing is JobStanding.DONE
    assert any(line_id in why for why in job.result["left_out"])
    # Lists tell of a run without its result.
    assert not any(line_id in str(j.result) for j in list_jobs(desk, boss))


def test_what_could_not_be_taken_over_names_no_hidden_line(desk: Desk, boss: Actor) -> None:
    line_id = next(x.line_id for x in desk_lines(desk) if x.export_control)
    withdraw(desk, boss, line_id, "not wanted", get_line(desk, boss, line_id).version)
    job = ran(desk, boss)
    assert any(line_id in why for why in job.result["left_out"])
    vic = an_actor(desk, "vic", Role.VIEWER)
    seen = [get_job(desk, vic, job.job_id), *list_jobs(desk, vic)]
    assert all(line_id not in str(j.result) for j in seen)
    assert RESTRICTED_TEXT in seen[0].result["left_out"]


def desk_lines(desk: Desk) -> list[LineRecord]:
    with desk.store.look() as work:
        return work.lines.all()


def test_pins_are_stored_with_trail_and_refused_where_they_mean_nothing(desk: Desk, boss: Actor) -> None:
    build = builds_of(desk, 1)[0]
    set_pin(desk, boss, 1, build.build_id, True)
    set_pin(desk, boss, 1, build.build_id, True)  # changes nothing, leaves no second entry
    set_pin(desk, boss, 1, build.build_id, False)
    entries = [(t.operation, t.details["plan_id"]) for t in list_trail(desk, boss, subject=build.build_id)]
    assert entries == [("release build", 1), ("pin build", 1)]
    with pytest.raises(NotFound):
        set_pin(desk, boss, 1, "no such build", True)
    with pytest.raises(Refused, match="pin"):
        set_pin(desk, an_actor(desk, "vic", Role.VIEWER), 1, build.build_id, True)
    other = ran(desk, boss, from_nothing=True)
    accept(desk, boss, int(other.result["plan_id"]), 1)
    with pytest.raises(Conflict, match="superseded"):
        set_pin(desk, boss, 1, build.build_id, True)


def queue(desk: Desk) -> list[Build]:
    """The builds of the machine with most of them, by start."""
    by_machine: dict[str, list[Build]] = {}
    for build in builds_of(desk, 1):
        by_machine.setdefault(build.machine_id, []).append(build)
    return max(by_machine.values(), key=len)


def test_no_move_shifts_a_pinned_build_and_a_kept_one_carries_pins(desk: Desk, boss: Actor) -> None:
    mine = queue(desk)
    first, last = mine[0], mine[-1]
    assert first is not last and try_move(desk, boss, 1, last.build_id, last.machine_id, None).possible
    set_pin(desk, boss, 1, first.build_id, True)
    for build_id, after in ((last.build_id, None), (first.build_id, last.build_id)):
        tried = try_move(desk, boss, 1, build_id, first.machine_id, after)
        assert not tried.possible and "is pinned" in tried.reasons[0] and first.build_id in tried.reasons[0]
    with pytest.raises(Conflict, match="pinned"):
        keep_move(desk, boss, 1, last.build_id, last.machine_id, None)
    set_pin(desk, boss, 1, first.build_id, False)
    elsewhere = next(b for b in builds_of(desk, 1) if b.machine_id != first.machine_id)
    set_pin(desk, boss, 1, elsewhere.build_id, True)
    head = keep_move(desk, boss, 1, last.build_id, last.machine_id, None)
    pinned = pinned_builds(desk, boss, head.plan_id)
    assert len(pinned) == 1
    assert {same_plate(b) for b in builds_of(desk, head.plan_id) if b.build_id in pinned} == {same_plate(elsewhere)}


def test_a_pin_set_since_a_plan_was_made_is_kept_or_the_plan_does_not_go_live(desk: Desk, boss: Actor) -> None:
    mine = queue(desk)
    last = mine[-1]
    head = keep_move(desk, boss, 1, last.build_id, last.machine_id, None)
    stays = next(b for b in builds_of(desk, 1) if b.machine_id != last.machine_id)
    set_pin(desk, boss, 1, stays.build_id, True)
    set_pin(desk, boss, 1, last.build_id, True)
    with pytest.raises(Conflict, match=f"build {last.build_id} of plan 1 is pinned.*release on plan 1") as refused:
        accept(desk, boss, head.plan_id, 1)
    assert stays.build_id not in str(refused.value) and live_in_full(desk).head.plan_id == 1
    set_pin(desk, boss, 1, last.build_id, False)
    accept(desk, boss, head.plan_id, 1)
    pinned = pinned_builds(desk, boss, head.plan_id)
    assert {same_plate(b) for b in builds_of(desk, head.plan_id) if b.build_id in pinned} == {same_plate(stays)}


def test_what_is_released_while_a_plan_waits_is_not_pinned_again_when_it_goes_live(desk: Desk, boss: Actor) -> None:
    one, other, third = builds_of(desk, 1)[:3]
    for build in (one, other):
        set_pin(desk, boss, 1, build.build_id, True)
    job = ran(desk, boss, keep_h=8760)
    run_id = int(job.result["plan_id"])
    by_id = {b.lasting_id: b.build_id for b in builds_of(desk, run_id)}
    assert set(pinned_builds(desk, boss, run_id)) == {by_id[b.lasting_id] for b in (one, other)}
    set_pin(desk, boss, run_id, by_id[third.lasting_id], True)  # of the proposal alone
    set_pin(desk, boss, 1, one.build_id, False)
    # Also when the run's plan is moved by hand before it goes live.
    last = max(builds_of(desk, run_id), key=lambda b: b.load_start)
    moved_id = keep_move(desk, boss, run_id, last.build_id, last.machine_id, None).plan_id
    accept(desk, boss, moved_id, 1)
    pinned = pinned_builds(desk, boss, moved_id)
    stay = {b.lasting_id for b in builds_of(desk, moved_id) if b.build_id in pinned}
    assert stay == {other.lasting_id, third.lasting_id}


def test_going_back_to_a_plan_lets_no_pin_go(desk: Desk, boss: Actor) -> None:
    last = queue(desk)[-1]
    moved_id = keep_move(desk, boss, 1, last.build_id, last.machine_id, None).plan_id
    accept(desk, boss, moved_id, 1)
    build_id = builds_of(desk, moved_id)[0].build_id
    set_pin(desk, boss, moved_id, build_id, True)
    version = plan_in_full(desk, 1).head.version
    with pytest.raises(Conflict, match=f"pinned on plan {moved_id}.*{build_id}.*release"):
        accept(desk, boss, 1, version)
    assert live_in_full(desk).head.plan_id == moved_id
    set_pin(desk, boss, moved_id, build_id, False)
    assert accept(desk, boss, 1, version).plan_id == live_in_full(desk).head.plan_id == 1


def test_a_pin_set_while_a_run_is_going_on_holds_for_its_plan(desk: Desk, boss: Actor) -> None:
    job = ran(desk, boss, keep_h=0)
    plan_id = int(job.result["plan_id"])
    new = {same_run(b) for b in builds_of(desk, plan_id)}
    for build in builds_of(desk, 1):
        set_pin(desk, boss, 1, build.build_id, True)
    lost = [b for b in builds_of(desk, 1) if same_run(b) not in new]
    if lost:
        with pytest.raises(Conflict, match=f"{lost[0].build_id}|plan again, or release"):
            accept(desk, boss, plan_id, 1)
        for build in lost:
            set_pin(desk, boss, 1, build.build_id, False)
    accept(desk, boss, plan_id, 1)
    assert len(pinned_builds(desk, boss, plan_id)) == len(builds_of(desk, 1)) - len(lost)
    # A run from nothing keeps nothing, as whoever asked for it said.
    other = ran(desk, boss, from_nothing=True)
    accept(desk, boss, int(other.result["plan_id"]), 1)


def movable(desk: Desk, boss: Actor) -> tuple[int, str, str, str]:
    """The live plan, a line of it, the build the line is on, and one it can go onto.

    A good plan of the small book leaves no such line: plates are filled by today's habit here.
    """
    full = plan_in_full(desk, 1)
    result = replace(
        full.result, plan=full.result.habit, kpis=full.result.habit_kpis, gap=None, bound_cents=None, options=()
    )
    new = NewPlan(result, full.scenario, full.models, (), 0, full.head.book_revision, full.head.currency, "habit", "x")
    with desk.store.begin() as work:
        plan_id = keep_plan(work, desk.clock(), ready_plan(new)).plan_id
    accept(desk, boss, plan_id, 1)
    found = a_free_move(desk)
    assert found is not None
    return plan_id, *found


def test_a_line_is_moved_to_another_plate(desk: Desk, boss: Actor) -> None:
    plan_id, line_id, build_id, onto = movable(desk, boss)
    tried = try_line_move(desk, boss, plan_id, line_id, build_id, onto)
    assert tried.checks > 0 and tried.findings == ()
    head = keep_line_move(desk, boss, plan_id, line_id, build_id, onto)
    assert head.parent == plan_id and line_id in head.note
    old = plan_in_full(desk, plan_id).result.plan
    new = plan_in_full(desk, head.plan_id).result.plan
    assert new.totals.landed_cents - old.totals.landed_cents == tried.difference_cents
    assert sum(any(s.line_id == line_id for s in b.shares) for b in new.builds) <= sum(
        any(s.line_id == line_id for s in b.shares) for b in old.builds
    )
    set_pin(desk, boss, plan_id, onto, True)
    again = try_line_move(desk, boss, plan_id, line_id, build_id, onto)
    assert not again.possible and "pinned" in again.reasons[0]
    with pytest.raises(Refused):
        try_line_move(desk, an_actor(desk, "vic", Role.VIEWER), 1, line_id, build_id, onto)


def test_a_line_goes_neither_onto_nor_off_a_build_that_has_started(desk: Desk, boss: Actor) -> None:
    plan_id, line_id, build_id, onto = movable(desk, boss)
    target = next(b for b in builds_of(desk, plan_id) if b.build_id == onto)
    record_event(desk, boss, EventKind.BUILD_STARTED, onto, target.load_start)
    tried = try_line_move(desk, boss, plan_id, line_id, build_id, onto)
    assert not tried.possible and f"build {onto} is running" in tried.reasons[0]


def test_a_hidden_line_cannot_be_moved_nor_told_of(desk: Desk, boss: Actor) -> None:
    hidden = next(x.line_id for x in desk_lines(desk) if x.export_control)
    builds = builds_of(desk, 1)
    on = next(b.build_id for b in builds if any(s.line_id == hidden for s in b.shares))
    other = next(b.build_id for b in builds if b.build_id != on)
    pat = an_actor(desk, "pat", Role.PLANNER)
    with pytest.raises(NotFound):
        try_line_move(desk, pat, 1, hidden, on, other)
    # Moved by somebody cleared, its name stands in no note a person without clearance reads.
    for target in (b.build_id for b in builds if b.build_id != on):
        if try_line_move(desk, boss, 1, hidden, on, target).possible:
            head = keep_line_move(desk, boss, 1, hidden, on, target)
            assert hidden not in full_plan(desk, pat, head.plan_id).head.note
            assert all(hidden not in str(t.details) for t in list_trail(desk, pat))
            break


def test_cost_by_quantity_is_a_curve_asked_once(desk: Desk, boss: Actor, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    real = quantities.where_in_quantities

    def counted(desk: Desk, actor: Actor, line_id: str, wanted: Sequence[int]) -> tuple[LineOptions, ...]:
        asked.extend(wanted)
        return real(desk, actor, line_id, wanted)

    monkeypatch.setattr(quantities, "where_in_quantities", counted)
    found = quantities.cost_by_quantity(desk, boss, "1001-1")
    own = get_line(desk, boss, "1001-1").quantity
    assert [q.quantity for q in found] == sorted({*quantities.LADDER, own}) == asked
    assert len(found) > 8
    one = real(desk, boss, "1001-1", [7])[0]
    assert one.line_id == "1001-1 in 7"
    assert quantities.cost_by_quantity(desk, boss, "1001-1") == found and len(asked) == len(found)
    hidden = next(x.line_id for x in desk_lines(desk) if x.export_control)
    assert quantities.cost_by_quantity(desk, boss, hidden)
    with pytest.raises(NotFound):
        quantities.cost_by_quantity(desk, an_actor(desk, "vic", Role.VIEWER), hidden)


def test_in_its_own_quantity_a_line_costs_what_where_to_build_says(desk: Desk, boss: Actor) -> None:
    placed = 0
    for line in desk_lines(desk):
        table = where_to_build(desk, boss, line.line_id)
        own = next(q for q in quantities.cost_by_quantity(desk, boss, line.line_id) if q.quantity == line.quantity)
        chosen = [s for s in table.sites if s.chosen]
        if len(chosen) != 1:
            continue
        placed += 1
        said = (chosen[0].site_id, chosen[0].fair_cents, chosen[0].arrive_date, chosen[0].late_days)
        assert (own.site_id, own.landed_cents, own.arrive_date, own.late_days) == said
        assert where_to_build(desk, boss, line.line_id) == table  # asking left the plan as it stands
    assert placed > 5


def test_another_quantity_is_asked_with_the_lines_own_place_given_back(desk: Desk, boss: Actor) -> None:
    """One piece less never waits for the machine time that the line itself takes."""
    opened = open_plan(desk, live_in_full(desk))
    asked = 0
    for line in desk_lines(desk):
        planned = opened.full.scenario.line[line.line_id]
        if planned.quantity < 3 or len(where_to_build(desk, boss, line.line_id).chosen_site_ids) != 1:
            continue
        index = opened.live._index[line.line_id]
        real = opened.live.state.on[index]
        before = opened.live.state.total_cents
        less = opened.live.where_in_quantity(line.line_id, planned.quantity - 1)
        assert (opened.live.state.total_cents, opened.live.state.on[index]) == (before, real)
        asked += 1
        taken = [s.late_days or 0 for s in less.sites if s.possible]
        own = next(s for s in where_to_build(desk, boss, line.line_id).sites if s.chosen)
        assert taken and min(taken) <= (own.late_days or 0)
    assert asked


def test_the_same_over_http(desk: Desk, client: TestClient, boss: Actor) -> None:
    build = builds_of(desk, 1)[-1].build_id
    pins = f"/api/v1/plans/1/pins/{build}"
    assert client.put(pins).json() == [{"build_id": build, "pinned_by": "boss"}]
    assert client.get("/api/v1/plans/1/pins").json() == [{"build_id": build, "pinned_by": "boss"}]
    assert client.delete(pins).json() == []
    assert client.put("/api/v1/plans/1/pins/nothing").status_code == 404
    live_id, line_id, build_id, onto = movable(desk, boss)
    body = {"line_id": line_id, "build_id": build_id, "onto_build_id": onto}
    assert client.post(f"/api/v1/plans/{live_id}/line-moves/try", json=body).json()["possible"]
    key = {"Idempotency-Key": "once"}
    kept = client.post(f"/api/v1/plans/{live_id}/line-moves", json=body, headers=key)
    assert kept.status_code == 201
    assert client.post(f"/api/v1/plans/{live_id}/line-moves", json=body, headers=key).json() == kept.json()
    plan_id = kept.json()["plan_id"]
    compared = client.get(f"/api/v1/plans/{live_id}/compare/{plan_id}").json()
    assert compared["disturbed"]["builds"] == len(builds_of(desk, live_id))
    assert {d["line_id"] for d in compared["later"]} <= {x["line_id"] for x in compared["lines"]}
    asked = client.post("/api/v1/runs", json={"seconds": 1, "keep_h": 48})
    assert asked.status_code == 202 and asked.json()["params"]["keep_h"] == 48
    assert client.post("/api/v1/runs", json={"seconds": 1, "keep_h": -1}).status_code == 422
