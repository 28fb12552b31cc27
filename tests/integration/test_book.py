"""The book on both databases: import, decisions, export, snapshot, and a plan made by a worker."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import trimesh
from api_client import client_of
from desk_builder import SMALL, Clock, an_actor, desk_on, with_small_book

from router.formats import read_scenario
from router.kernel.faults import Conflict, Fault, FaultyInput, NotFound, Refused, Stale
from router.service import book, models
from router.service.book import change_line, get_line, hold, list_lines, pin, release, withdraw
from router.service.desk import Desk, Memory
from router.service.events import list_events, record_event
from router.service.exports import scenario_files, scenario_zip
from router.service.imports import preview_files, store_import
from router.service.jobs import ask_plan, get_job, points, stop
from router.service.network import check_network, current_network, save_network, with_field
from router.service.options import where_to_build
from router.service.pinned_site import PinnedSite, pinned_site
from router.service.plans import accept, full_plan, list_plans, staleness
from router.service.receipts import Once
from router.service.records import Actor, EventKind, JobStanding, LineRecord, LineStanding, PlanStanding, Role
from router.service.snapshot import snapshot
from router.service.trail import line_history, list_trail
from router.store import SqlStore
from router.store.book_rows import EventRows, ModelRows, NetworkRows
from router.web.part_picture import part_picture
from router.worker import Worker


@pytest.fixture
def desk(store: SqlStore, tmp_path: Path) -> Desk:
    return desk_on(store, tmp_path / "cache", Clock())


@pytest.fixture
def ana(desk: Desk) -> Actor:
    planner = an_actor(desk, "ana", Role.PLANNER, codes=("ITAR",))
    with_small_book(desk, planner)
    return planner


def test_export_gives_the_imported_folder_back(desk: Desk, ana: Actor, tmp_path: Path) -> None:
    files = scenario_files(desk, ana)
    assert files["network.yaml"] == (SMALL / "network.yaml").read_bytes()
    for path in sorted((SMALL / "models").iterdir()):
        if f"models/{path.name}" in files:
            assert files[f"models/{path.name}"] == path.read_bytes()
    for place, content in files.items():
        (tmp_path / "out" / place).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "out" / place).write_bytes(content)
    before, after = read_scenario(SMALL), read_scenario(tmp_path / "out")
    assert after.network == before.network and after.parts == before.parts
    assert sorted(after.lines, key=lambda x: x.line_id) == sorted(before.lines, key=lambda x: x.line_id)


def test_the_export_imported_again_changes_nothing(desk: Desk, ana: Actor) -> None:
    zipped = scenario_zip(desk, ana).read()
    preview = preview_files(desk, ana, {"book.zip": zipped})
    assert preview.storable and preview.network == "the same"
    assert not preview.new_lines and not preview.changed_lines and not preview.new_models and not preview.other_models
    assert len(preview.same_lines) == list_lines(desk, ana).total
    stored = store_import(desk, ana, preview.import_id)
    assert (stored.lines_added, stored.lines_changed) == (0, 0)
    assert scenario_zip(desk, ana).read() == zipped


def test_an_export_reads_models_one_at_a_time_and_none_for_whoever_is_not_cleared(
    desk: Desk, ana: Actor, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[str] = []
    content = ModelRows.content

    def noticed(rows: ModelRows, sha256: str) -> bytes | None:
        read.append(sha256)
        return content(rows, sha256)

    monkeypatch.setattr(ModelRows, "content", noticed)
    files = scenario_files(desk, ana)
    assert read == [] and len(files["models/ring.stl"]) > 0 and len(read) == 1
    answer = client_of(desk, "ana", Role.PLANNER).get("/api/v1/export")
    assert answer.content == scenario_zip(desk, ana).read()
    assert int(answer.headers["content-length"]) == len(answer.content)
    read.clear()
    line = get_line(desk, ana, "1001-1")
    with desk.store.begin() as work:
        work.lines.change(replace(line, export_control="ITAR"), line.version)
        work.revision.raise_it()
    answer = client_of(desk, "paul", Role.PLANNER).get("/api/v1/export")
    assert answer.status_code == 403 and read == []


def test_of_large_things_about_parts_few_are_remembered(desk: Desk, ana: Actor) -> None:
    few = replace(desk, pictures=Memory(2))
    lines = {x.model: x.line_id for x in list_lines(desk, ana).lines}
    assert len(lines) > 2
    for line_id in lines.values():
        assert part_picture(few, ana, line_id).svg.startswith("<svg")
    assert len(few.pictures) == 2
    assert len(desk.surfaces) == len(desk.pictures) == 0


def test_a_preview_shows_faults_and_stores_nothing(desk: Desk, ana: Actor) -> None:
    before = scenario_zip(desk, ana).read()
    rows = before_rows(desk, ana)
    rows[0]["quantity"], rows[1]["alloy"] = "many", "adamantium"
    preview = preview_files(desk, ana, {"orders.json": json.dumps(rows).encode()})
    assert {f.field for f in preview.faults} == {"quantity", "alloy"} and not preview.storable
    with pytest.raises(NotFound):
        store_import(desk, ana, preview.import_id)
    assert scenario_zip(desk, ana).read() == before


def test_half_a_character_is_a_fault_of_the_preview_where_it_stands(desk: Desk, ana: Actor) -> None:
    rows = before_rows(desk, ana)[:3]
    rows[1]["customer"] = "Invented \ud800 Works"
    (fault,) = preview_files(desk, ana, {"orders.json": json.dumps(rows).encode()}).faults
    assert (fault.file, fault.where, fault.field) == ("orders.json", "row 2", "customer")
    assert "half a character (U+D800)" in fault.found


def test_what_systems_leave_in_a_zip_is_passed_over_and_nothing_else(desk: Desk, ana: Actor) -> None:
    left = ("__MACOSX/shop/._network.yaml", "shop/.DS_Store", "shop/models/Thumbs.db", "shop/models/._ring.stl")

    def zipped(*more: str) -> bytes:
        out = io.BytesIO()
        with zipfile.ZipFile(scenario_zip(desk, ana)) as kept, zipfile.ZipFile(out, "w") as made:
            for name in kept.namelist():
                made.writestr(f"shop/{name}", kept.read(name))
            for name in (*left, *more):
                made.writestr(name, b"Mac OS X")
        return out.getvalue()

    preview = preview_files(desk, ana, {"shop.zip": zipped(), ".DS_Store": b"x"})
    assert preview.storable and preview.network == "the same" and not preview.new_models
    for foreign in ("shop/notes.txt", "shop/.hidden", "__MACOSX"):
        with pytest.raises(FaultyInput) as refused:
            preview_files(desk, ana, {"shop.zip": zipped(foreign)})
        assert [f.where for f in refused.value.faults] == [foreign]


def before_rows(desk: Desk, ana: Actor) -> list[dict[str, str]]:
    return [dict(x.cells) for x in list_lines(desk, ana, limit=500).lines]


def test_a_sent_again_order_is_recognised_and_a_changed_one_changed(desk: Desk, ana: Actor) -> None:
    rows = before_rows(desk, ana)[:3]
    rows[1]["quantity"] = str(int(rows[1]["quantity"]) + 1)
    rows.append({**rows[2], "line": "FRESH-1"})
    preview = preview_files(desk, ana, {"orders.json": json.dumps(rows).encode()})
    assert preview.new_lines == ("FRESH-1",) and len(preview.same_lines) == 2
    assert [(c.line_id, c.columns) for c in preview.changed_lines] == [(rows[1]["line"], ("quantity",))]
    once = Once.of("key-1", {"import": preview.import_id})
    stored = store_import(desk, ana, preview.import_id, once)
    assert (stored.lines_added, stored.lines_changed, stored.lines_same) == (1, 1, 2)
    assert store_import(desk, ana, preview.import_id, once) == stored
    assert get_line(desk, ana, rows[1]["line"]).version == 2


def test_an_import_stored_before_says_what_came_of_it(desk: Desk, ana: Actor) -> None:
    rows = [{**before_rows(desk, ana)[0], "line": "TWICE-1"}]
    api = client_of(desk, "ana", scopes=("read", "book"))
    sent = {"files": ("orders.json", json.dumps(rows).encode())}
    address = f"/api/v1/imports/{api.post('/api/v1/imports', files=sent).json()['import_id']}"
    assert api.get(f"{address}/stored").status_code == 404
    first = api.post(f"{address}/store", headers={"Idempotency-Key": "first"})
    assert first.status_code == 200 and first.json()["lines_added"] == 1
    again = api.post(f"{address}/store")
    assert again.status_code == 409 and again.json()["type"] == "/problems/already-made"
    assert "is stored already" in again.json()["detail"] and again.json()["made"] == first.json()
    link = f'<{address}/stored>; rel="related"'
    assert again.headers["link"] == link and api.get(f"{address}/stored").json() == first.json()
    looked = api.get(address)
    assert looked.status_code == 409 and looked.headers["link"] == link
    assert api.post(f"{address}/store", headers={"Idempotency-Key": "first"}).json() == first.json()
    assert desk.store.ready() and get_line(desk, ana, "TWICE-1").version == 1
    other = client_of(desk, "bo", Role.PLANNER, ("read", "book"))
    assert other.post(f"{address}/store").status_code == other.get(f"{address}/stored").status_code == 404


def test_hold_release_withdraw_and_pin(desk: Desk, ana: Actor) -> None:
    line = list_lines(desk, ana).lines[0]
    held = hold(desk, ana, line.line_id, "drawing not approved", 1)
    assert held.standing is LineStanding.HELD and snapshot(desk).left_out[line.line_id].startswith("held: drawing")
    with pytest.raises(Conflict, match="seen 1"):
        release(desk, ana, line.line_id, 1)
    released = release(desk, ana, line.line_id, 2)
    site = current_network(desk, ana).network.sites[0].site_id
    pinned = pin(desk, ana, line.line_id, site, released.version)
    assert snapshot(desk).scenario.line[line.line_id].approved_sites == (site,)
    with pytest.raises(FaultyInput, match="one of OHIO, RHINE"):
        pin(desk, ana, line.line_id, "nowhere", pinned.version)
    withdraw(desk, ana, line.line_id, "customer cancelled", pinned.version)
    assert line.line_id not in snapshot(desk).scenario.line
    with pytest.raises(Conflict, match="withdrawn"):
        hold(desk, ana, line.line_id, "x", 5)
    assert [t.operation for t in list_trail(desk, ana, subject=line.line_id)] == ["withdraw", "pin", "release", "hold"]


def test_a_pin_says_at_once_whether_the_site_can_build_the_line(desk: Desk, ana: Actor) -> None:
    line = pin(desk, ana, "1004-1", "RHINE", 1)
    told = pinned_site(desk, line)
    assert told is not None and told.could_build == ("OHIO",)
    assert told.why_not == ("R01: not qualified for ti64",)
    able = pin(desk, ana, "1004-1", "OHIO", line.version)
    assert pinned_site(desk, able) == PinnedSite("OHIO", (), ("OHIO",))
    assert pinned_site(desk, pin(desk, ana, "1004-1", None, able.version)) is None


def test_a_verdict_on_a_pin_is_of_the_line_as_it_was_read(desk: Desk, ana: Actor) -> None:
    before = pin(desk, ana, "1004-1", "RHINE", 1)
    after = pin(desk, ana, "1004-1", "OHIO", before.version)
    late = pinned_site(desk, before)  # by whoever read the line before it was pinned anew
    assert late is not None and late.site_id == "RHINE" and late.why_not
    assert pinned_site(desk, get_line(desk, ana, "1004-1")) == PinnedSite("OHIO", (), ("OHIO",))
    assert after.version == before.version + 1
    hold(desk, ana, "1003-1", "drawing", 1)
    assert pinned_site(desk, before) == late


def test_verdicts_on_pins_push_nothing_large_out_of_memory_and_read_what_is_remembered(
    desk: Desk, ana: Actor, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = [pin(desk, ana, line_id, "OHIO", 1) for line_id in ("1001-1", "1002-1", "1003-1", "1004-1")]
    pinned_site(desk, lines[0])
    large = len(desk.memory)
    monkeypatch.delattr(EventRows, "all")
    monkeypatch.delattr(NetworkRows, "latest")
    monkeypatch.delattr(NetworkRows, "get")
    assert all(pinned_site(desk, line) is not None for line in lines)
    assert len(desk.memory) == large


def test_a_line_changes_whole_or_not_at_all(desk: Desk, ana: Actor) -> None:
    line = list_lines(desk, ana).lines[0]
    with pytest.raises(FaultyInput) as caught:
        change_line(desk, ana, line.line_id, {"quantity": "-3", "due": "soon"}, 1)
    assert {f.field for f in caught.value.faults} == {"quantity", "due"}
    changed = change_line(desk, ana, line.line_id, {"quantity": str(line.quantity + 2)}, 1)
    assert changed.quantity == line.quantity + 2 and changed.version == 2


@pytest.mark.parametrize("decide", [hold, withdraw])
def test_a_line_is_taken_out_of_plans_for_a_reason_by_whoever_may(
    desk: Desk, ana: Actor, decide: Callable[[Desk, Actor, str, str, int], LineRecord]
) -> None:
    vic = an_actor(desk, "vic", Role.VIEWER)
    with pytest.raises(Refused):
        decide(desk, vic, "1001-1", " ", 1)
    with pytest.raises(FaultyInput, match="why the line is"):
        decide(desk, ana, "1001-1", " ", 1)
    assert get_line(desk, ana, "1001-1").standing is LineStanding.OPEN
    assert decide(desk, ana, "1001-1", " no drawing ", 1).why_held == "no drawing"


def test_a_viewer_changes_nothing_and_uncleared_people_do_not_see_controlled_lines(desk: Desk, ana: Actor) -> None:
    vic = an_actor(desk, "vic", Role.VIEWER)
    line = list_lines(desk, ana).lines[0]
    with pytest.raises(Refused, match="role"):
        hold(desk, vic, line.line_id, "x", 1)
    total = list_lines(desk, vic).total
    with desk.store.begin() as work:
        kept = work.lines.get(line.line_id)
        assert kept is not None
        work.lines.change(replace(kept, export_control="ITAR"), 1)
        work.revision.raise_it()
    assert list_lines(desk, vic).total == total - 1
    with pytest.raises(NotFound):
        get_line(desk, vic, line.line_id)
    with pytest.raises(Refused, match="not cleared"):
        scenario_files(desk, an_actor(desk, "paul", Role.PLANNER))


def test_the_network_is_checked_against_the_book_before_it_is_saved(desk: Desk, ana: Actor) -> None:
    now = current_network(desk, ana)
    line = list_lines(desk, ana).lines[0]
    broken = now.record.raw.replace(f"id: {line.alloy_id}".encode(), b"id: other-alloy")
    assert check_network(desk, ana, broken)
    with pytest.raises(FaultyInput):
        save_network(desk, ana, broken, now.record.version, "")
    machine = now.network.machines[0]
    richer = with_field(now.record.raw, ("sites", machine.site_id, "machines", machine.machine_id, "rate_per_h"), 123)
    saved = save_network(desk, ana, richer, now.record.version, "dearer")
    assert saved.version == 2
    assert current_network(desk, ana).network.machine[machine.machine_id].rate_cents_per_h == 12_300
    with pytest.raises(Conflict, match="edition 2"):
        save_network(desk, ana, richer, 1, "")


def plan_it(desk: Desk, ana: Actor) -> int:
    job = ask_plan(desk, ana, seconds=2, seed=1)
    assert Worker(desk).once()
    done = get_job(desk, ana, job.job_id)
    assert done.standing is JobStanding.DONE, done.why
    return int(done.result["plan_id"])


def test_a_run_becomes_a_proposed_plan_that_goes_live_and_the_floor_moves_the_next_one(desk: Desk, ana: Actor) -> None:
    plan_id = plan_it(desk, ana)
    plan = full_plan(desk, ana, plan_id)
    assert plan.head.standing is PlanStanding.PROPOSED and plan.head.findings == 0 and plan.checks > 0
    job_id = plan.head.job_id
    assert job_id is not None
    kinds = {p.kind for p in points(desk, ana, job_id)}
    assert {"phase", "incumbent", "bound", "ended"} <= kinds
    live = accept(desk, ana, plan_id, plan.head.version)
    assert live.standing is PlanStanding.LIVE
    build = plan.result.plan.builds[0]
    machine = current_network(desk, ana).network.machine[build.machine_id]
    bo = an_actor(desk, "bo", Role.SITE_OPERATOR, sites=(machine.site_id,))
    zoe = an_actor(desk, "zoe", Role.SITE_OPERATOR, sites=("elsewhere",))
    with pytest.raises(Refused, match="not at"):
        record_event(desk, zoe, EventKind.BUILD_STARTED, build.build_id, build.load_start)
    once = Once.of("start-1", {"build": build.build_id})
    event = record_event(desk, bo, EventKind.BUILD_STARTED, build.build_id, build.load_start, once=once)
    assert record_event(desk, bo, EventKind.BUILD_STARTED, build.build_id, build.load_start, once=once) == event
    with pytest.raises(Conflict, match="cannot follow"):
        record_event(desk, bo, EventKind.BUILD_STARTED, build.build_id, build.load_start)
    assert [e.event_id for e in list_events(desk, bo)] == [event.event_id] and list_events(desk, zoe) == []
    assert staleness(desk, live) == 1
    shot = snapshot(desk)
    busy = shot.scenario.network.machine[build.machine_id]
    assert busy.available_from == build.load_start + (build.unload_end - build.load_start)
    for line_id, n in event.details["pieces"].items():
        line = shot.scenario.line.get(line_id)
        assert (line.quantity if line else 0) == get_line(desk, ana, line_id).quantity - n
    failed_at = build.load_start + timedelta(hours=1)
    record_event(desk, bo, EventKind.BUILD_FAILED, build.build_id, failed_at)
    assert snapshot(desk).scenario.network.machine[build.machine_id].available_from == max(
        failed_at, machine.available_from
    )
    second = plan_it(desk, ana)
    accept(desk, ana, second, 1)
    standings = {h.plan_id: h.standing for h in list_plans(desk, ana)}
    assert standings == {plan_id: PlanStanding.SUPERSEDED, second: PlanStanding.LIVE}
    with pytest.raises(Conflict):
        accept(desk, ana, second, 2)


def test_a_stopped_run_that_waits_is_cancelled_and_a_key_asks_once(desk: Desk, ana: Actor) -> None:
    once = Once.of("run-1", {"seconds": 3})
    job = ask_plan(desk, ana, seconds=3, once=once)
    assert ask_plan(desk, ana, seconds=3, once=once) == job
    with pytest.raises(Conflict, match="another request"):
        ask_plan(desk, ana, seconds=4, once=Once.of("run-1", {"seconds": 4}))
    assert stop(desk, ana, job.job_id).standing is JobStanding.CANCELLED
    assert not Worker(desk).once()
    with pytest.raises(Conflict, match="ended already"):
        stop(desk, ana, job.job_id)
    with pytest.raises(FaultyInput):
        ask_plan(desk, ana, seconds=0)


def test_a_model_too_small_to_be_made_is_refused_at_the_door_and_one_kept_before_stops_nothing(
    desk: Desk, ana: Actor, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    trimesh.creation.box((1e-6, 1e-6, 1e-6)).export(tmp_path / "ring.stl")
    sent = {"ring.stl": (tmp_path / "ring.stl").read_bytes()}
    preview = preview_files(desk, ana, sent)
    assert [f.file for f in preview.faults] == ["models/ring.stl"] and "1e-06" in preview.faults[0].found
    # A book of before such models were refused.
    monkeypatch.setattr(models, "unusable", lambda part: None)
    store_import(desk, ana, preview_files(desk, ana, sent).import_id)
    accept(desk, ana, plan_it(desk, ana), 1)
    line = next(x.line_id for x in list_lines(desk, ana).lines if x.model == "ring.stl")
    table = where_to_build(desk, ana, line)
    assert not any(s.possible for s in table.sites) and any("1e-06" in r for s in table.sites for r in s.reasons)


def test_the_preview_remarks_on_a_model_that_can_be_stored_but_is_not_closed(
    desk: Desk, ana: Actor, tmp_path: Path
) -> None:
    box = trimesh.creation.box((20.0, 20.0, 20.0))
    trimesh.Trimesh(box.vertices, box.faces[:-1], process=False).export(tmp_path / "ring.stl")
    preview = preview_files(desk, ana, {"ring.stl": (tmp_path / "ring.stl").read_bytes()})
    assert preview.storable and [r.split(":")[0] for r in preview.remarks] == ["models/ring.stl"]
    assert "mesh is not closed" in preview.remarks[0]


def test_the_preview_remarks_on_a_year_that_was_mistyped(desk: Desk, ana: Actor) -> None:
    text = (SMALL / "orders.csv").read_text(encoding="utf-8")
    typo = text.replace(",2027-02-25T15:30,,2027-03-17,", ",2031-02-25T15:30,,2031-03-17,")
    preview = preview_files(desk, ana, {"orders.csv": typo.encode()})
    assert preview.storable
    assert "line 1002-1: received 1458 days after now (2027-03-01); is the year right?" in preview.remarks


def test_a_pin_is_set_beside_the_network_it_was_looked_at(
    desk: Desk, ana: Actor, monkeypatch: pytest.MonkeyPatch
) -> None:
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR, codes=("ITAR",))
    looked = book.site_faults

    def then_saved(*asked: Any) -> list[Fault]:
        found = looked(*asked)
        before = current_network(desk, boss).record
        save_network(desk, boss, before.raw + b"# looked through\n", before.version, "")
        return found

    monkeypatch.setattr(book, "site_faults", then_saved)
    line = get_line(desk, ana, "1001-1")
    with pytest.raises(Stale, match="network has changed"):
        pin(desk, ana, line.line_id, "OHIO", line.version)
    assert get_line(desk, ana, "1001-1") == line
    monkeypatch.undo()
    assert pin(desk, ana, line.line_id, "OHIO", line.version).pinned_site == "OHIO"


def test_the_history_of_a_line_holds_nothing_of_a_person_of_its_name(desk: Desk, ana: Actor) -> None:
    line = get_line(desk, ana, "1001-1")
    hold(desk, ana, line.line_id, "waits", line.version)
    with desk.store.begin() as work:
        work.trail.add(desk.clock(), "1001-1", "sign in", "1001-1", {"address": "198.51.100.9"})
    assert [x.operation for x in line_history(desk, ana, "1001-1")] == ["hold"]
