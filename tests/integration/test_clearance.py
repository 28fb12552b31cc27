"""What clearance decides: whose model a name means, what an import promises, what is told, and who clears whom."""

from __future__ import annotations

import json
import time
from collections.abc import Collection
from dataclasses import replace
from pathlib import Path

import pytest
import sqlalchemy as sa
from api_client import client_of, small_desk, with_live_plan
from desk_builder import SMALL, an_actor

from router.kernel.faults import Conflict, Fault, FaultyInput, NotFound, Refused
from router.service import network as network_use
from router.service.book import change_line, get_line, hold, list_lines, pin
from router.service.cells import own_name
from router.service.desk import Desk
from router.service.events import record_event
from router.service.exports import scenario_files
from router.service.imports import Overtaken, look_again, preview_files, store_import
from router.service.jobs import ask_plan, get_job
from router.service.models import digest_of, list_models, model_content
from router.service.network import check_network, current_network, save_network
from router.service.people import add_person, change_person
from router.service.ports import Work
from router.service.records import Actor, EventKind, Role
from router.service.snapshot import snapshot
from router.service.trail import book_changes, list_trail
from router.service.visible import RESTRICTED_TEXT, hidden_from, names_any, told
from router.web.part_picture import part_picture
from router.worker import Worker

LINE, MODEL = "secret-7", "secret.stl"
RING, CAP = ((SMALL / "models" / name).read_bytes() for name in ("ring.stl", "cap.stl"))


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """The small book and in it one more controlled line, with a model that no other line uses."""
    made = small_desk(tmp_path)
    boss = an_actor(made, "boss", Role.ADMINISTRATOR)
    cells = {**get_line(made, boss, "1005-1").cells, "line": LINE, "model": MODEL, "customer": "Quiet Works"}
    bring(made, boss, {"o.json": json.dumps([cells]).encode(), MODEL: RING})
    return made


@pytest.fixture
def boss(desk: Desk) -> Actor:
    return an_actor(desk, "boss", Role.ADMINISTRATOR)


@pytest.fixture
def paul(desk: Desk) -> Actor:
    return an_actor(desk, "paul", Role.PLANNER)


def bring(desk: Desk, actor: Actor, files: dict[str, bytes]) -> None:
    preview = preview_files(desk, actor, files)
    assert preview.storable, preview.faults
    store_import(desk, actor, preview.import_id)


def row_of(desk: Desk, boss: Actor, line_id: str, **cells: str) -> bytes:
    return json.dumps([{**get_line(desk, boss, line_id).cells, **cells}]).encode()


def built_of(desk: Desk, line_id: str) -> str:
    """Content that the next plan builds a line of."""
    shot = snapshot(desk)
    return shot.models[shot.scenario.line[line_id].model]


def test_a_model_of_a_hidden_line_is_not_overwritten_and_its_name_not_given_away(
    desk: Desk, boss: Actor, paul: Actor
) -> None:
    free = preview_files(desk, paul, {"free.stl": CAP})
    taken = preview_files(desk, paul, {MODEL: CAP})
    assert taken.storable and taken.new_models == (MODEL,) and not taken.other_models and not taken.same_models
    assert replace(taken, import_id="", name="", new_models=()) == replace(free, import_id="", name="", new_models=())
    assert preview_files(desk, paul, {MODEL: RING}).new_models == (MODEL,)  # also not when it is the very content
    store_import(desk, paul, taken.import_id)
    bring(desk, paul, {"o.json": row_of(desk, boss, "1004-1", line="open-1", model=MODEL)})
    assert built_of(desk, LINE) == digest_of(RING) and built_of(desk, "open-1") == digest_of(CAP)
    assert model_content(desk, paul, MODEL)[1] == CAP
    assert model_content(desk, boss, own_name(LINE, MODEL))[1] == RING
    assert own_name(LINE, MODEL) not in {m.name for m in list_models(desk, paul)}
    with pytest.raises(NotFound):
        model_content(desk, paul, own_name(LINE, MODEL))


def test_what_a_cleared_person_brings_is_for_all_lines_of_the_name(desk: Desk, boss: Actor, paul: Actor) -> None:
    bring(desk, paul, {MODEL: CAP})
    nozzle = (SMALL / "models" / "nozzle.stl").read_bytes()
    bring(desk, boss, {MODEL: nozzle})
    assert built_of(desk, LINE) == digest_of(nozzle) == digest_of(model_content(desk, paul, MODEL)[1])


def test_a_name_of_several_contents_is_asked_back_and_exported_as_several_files(
    desk: Desk, boss: Actor, paul: Actor
) -> None:
    bring(desk, paul, {MODEL: CAP, "o.json": row_of(desk, boss, "1004-1", line="open-1", model=MODEL)})
    one_more = row_of(desk, boss, LINE, line="secret-8")
    faults = preview_files(desk, boss, {"o.json": one_more}).faults
    assert [f.field for f in faults] == ["model"] and "several contents" in faults[0].found
    files = scenario_files(desk, boss)
    contents = {name: content for name, content in files.items() if name.endswith(MODEL)}
    assert sorted(contents.values()) == sorted([CAP, RING])
    rows = files["orders.csv"].decode()
    assert all(name.removeprefix("models/") in rows for name in contents)


def shown_models(desk: Desk, actor: Actor) -> set[str]:
    return {m.name for m in list_models(desk, actor)}


def test_a_model_stays_hidden_when_the_only_line_that_used_it_takes_another(
    desk: Desk, boss: Actor, paul: Actor
) -> None:
    change_line(desk, boss, LINE, {"model": "bracket.stl"}, 1)
    assert MODEL in shown_models(desk, boss) and MODEL not in shown_models(desk, paul)
    with pytest.raises(NotFound):
        model_content(desk, paul, MODEL)
    with pytest.raises(FaultyInput) as caught:
        change_line(desk, paul, "1004-1", {"model": "secre.stl"}, 1)
    assert MODEL not in str(caught.value)
    assert MODEL in hidden_from(desk, paul).names and MODEL not in hidden_from(desk, boss).names
    # The same when an import does it.
    bring(desk, boss, {"o.json": row_of(desk, boss, LINE, model=MODEL)})
    bring(desk, boss, {"o.json": row_of(desk, boss, LINE, model="bracket.stl")})
    assert MODEL not in shown_models(desk, paul)
    # A line that everybody sees makes it everybody's, also afterwards.
    change_line(desk, boss, "1004-1", {"model": MODEL}, get_line(desk, boss, "1004-1").version)
    assert MODEL in shown_models(desk, paul)
    change_line(desk, boss, "1004-1", {"model": "bracket.stl"}, get_line(desk, boss, "1004-1").version)
    assert MODEL in shown_models(desk, paul)


def test_a_content_that_a_hidden_line_kept_of_its_own_stays_hidden_when_it_takes_another_model(
    desk: Desk, boss: Actor, paul: Actor
) -> None:
    bring(desk, paul, {MODEL: CAP})
    own = own_name(LINE, MODEL)
    assert own in shown_models(desk, boss)
    change_line(desk, boss, LINE, {"model": "bracket.stl"}, 1)
    assert own in shown_models(desk, boss) and own not in shown_models(desk, paul)
    assert MODEL in shown_models(desk, paul) and MODEL not in hidden_from(desk, paul).names
    with pytest.raises(NotFound):
        model_content(desk, paul, own)
    bring(desk, paul, {MODEL: (SMALL / "models" / "nozzle.stl").read_bytes()})
    assert model_content(desk, boss, own)[1] == RING


def test_a_model_brought_before_its_order_is_for_those_cleared_as_whoever_brought_it(
    desk: Desk, boss: Actor, paul: Actor
) -> None:
    bring(desk, boss, {"early.stl": CAP})
    bring(desk, paul, {"open.stl": CAP})
    assert {"early.stl", "open.stl"} <= shown_models(desk, boss)
    assert "open.stl" in shown_models(desk, paul) and "early.stl" not in shown_models(desk, paul)
    # Whoever comes upon the name themselves has a model of their own content.
    bring(desk, paul, {"early.stl": RING})
    assert model_content(desk, paul, "early.stl")[1] == RING


def test_the_codes_of_a_model_are_told_as_far_as_somebody_is_cleared(desk: Desk, boss: Actor) -> None:
    cells = {"line": "ear-1", "model": MODEL, "export_control": "EAR"}
    bring(desk, boss, {"o.json": row_of(desk, boss, LINE, **cells)})
    codes = {
        name: {m.name: m.export_codes for m in list_models(desk, who)}.get(MODEL)
        for name, who in {"boss": boss, "eva": an_actor(desk, "eva", Role.VIEWER, codes=("EAR",))}.items()
    }
    assert codes == {"boss": ("ITAR",), "eva": ("EAR",)}


def test_models_of_hidden_lines_are_not_there_for_cells_either(desk: Desk, boss: Actor, paul: Actor) -> None:
    for near in (MODEL, "secre.stl"):
        with pytest.raises(FaultyInput) as caught:
            change_line(desk, paul, "1004-1", {"model": near}, 1)
        assert [f.field for f in caught.value.faults] == ["model"]
        assert f"mean '{MODEL}'" not in str(caught.value)
    client = client_of(desk, "paul", Role.PLANNER)
    cells = json.loads(row_of(desk, boss, "1004-1", line="", model=MODEL))[0]
    answer = client.post("/api/v1/where", json={"cells": cells})
    assert answer.status_code == 422 and answer.json()["faults"][0]["field"] == "model"


def test_a_preview_tells_of_a_hidden_line_only_that_its_name_is_taken(desk: Desk, boss: Actor, paul: Actor) -> None:
    same, other = row_of(desk, boss, LINE, model="cap.stl"), row_of(desk, boss, LINE, model="cap.stl", quantity="7")
    one, two = (preview_files(desk, paul, {"o.json": rows}) for rows in (same, other))
    assert one.faults == two.faults and [f.found for f in one.faults] == ["a name that is taken"]
    assert not (one.changed_lines or one.same_lines or one.new_lines or two.changed_lines)


def renamed_site(desk: Desk, boss: Actor) -> bytes:
    raw = current_network(desk, boss).record.raw
    return raw.replace(b"- ITAR", b"- OTHER").replace(b"OHIO", b"IOWA")


def test_an_imported_network_is_checked_as_an_edited_one(desk: Desk, boss: Actor, paul: Actor) -> None:
    """Faults of hidden lines are told without their cells, and pins count."""
    raw = renamed_site(desk, boss)
    sent = preview_files(desk, paul, {"network.yaml": raw}).faults
    assert sent == check_network(desk, paul, raw) and sent
    text = "\n".join(f.sentence() for f in sent)
    assert LINE not in text and "1005-1" not in text and "not cleared for" in text


def test_an_import_keeps_to_pins_also_of_the_lines_it_sends(desk: Desk, boss: Actor, paul: Actor) -> None:
    pin(desk, boss, "1002-1", "OHIO", 1)
    raw = renamed_site(desk, boss)
    for files in ({"network.yaml": raw}, {"network.yaml": raw, "o.json": row_of(desk, boss, "1002-1")}):
        found = [(f.where, f.field) for f in preview_files(desk, paul, files).faults]
        assert ("1002-1", "pin") in found


def test_a_faulty_line_of_the_book_is_named_by_its_line_not_by_a_row(desk: Desk, boss: Actor) -> None:
    faults = check_network(desk, boss, renamed_site(desk, boss))
    assert {f.where for f in faults} == {"1005-1", "1006-1", LINE} and {f.field for f in faults} == {"approved_sites"}


def test_an_import_is_looked_at_again_when_it_is_stored(desk: Desk, boss: Actor, paul: Actor) -> None:
    rows = row_of(desk, boss, "1002-1", quantity="9")
    preview = preview_files(desk, paul, {"o.json": rows})
    hold(desk, boss, "1002-1", "drawing", 1)
    with pytest.raises(Overtaken) as caught:
        store_import(desk, paul, preview.import_id)
    assert get_line(desk, boss, "1002-1").quantity == 12
    fresh = caught.value.fresh
    assert fresh.import_id != preview.import_id and fresh.import_id in str(caught.value)
    assert look_again(desk, paul, fresh.import_id) == fresh
    assert store_import(desk, paul, fresh.import_id).lines_changed == 1
    line = get_line(desk, boss, "1002-1")
    assert (line.quantity, line.why_held) == (9, "drawing")


def test_faults_that_came_since_the_preview_are_told(desk: Desk, boss: Actor, paul: Actor) -> None:
    before = current_network(desk, boss).record
    preview = preview_files(desk, paul, {"network.yaml": before.raw.replace(b"OHIO", b"IOWA")})
    assert not preview.storable  # lines name OHIO
    renamed = before.raw + b"\n"
    sent = preview_files(desk, paul, {"network.yaml": renamed, "o.json": row_of(desk, boss, "1002-1", line="new-1")})
    bring(desk, boss, {"o.json": row_of(desk, boss, LINE, line="new-1")})
    with pytest.raises(FaultyInput, match="taken"):
        store_import(desk, paul, sent.import_id)
    assert current_network(desk, boss).record.version == before.version


def test_a_network_saved_since_the_preview_makes_a_fresh_one(desk: Desk, boss: Actor, paul: Actor) -> None:
    preview = preview_files(desk, paul, {"o.json": row_of(desk, boss, "1002-1", line="new-1")})
    now = current_network(desk, boss).record
    save_network(desk, boss, now.raw + b"\n", now.version, "")
    with pytest.raises(Overtaken):
        store_import(desk, paul, preview.import_id)


def test_a_change_of_something_else_does_not_stop_an_import(desk: Desk, boss: Actor, paul: Actor) -> None:
    preview = preview_files(desk, paul, {"o.json": row_of(desk, boss, "1002-1", line="new-1")})
    hold(desk, boss, "1003-1", "drawing", 1)
    assert store_import(desk, paul, preview.import_id).lines_added == 1


def test_a_viewer_is_refused_before_anything_is_told_of_a_build(desk: Desk) -> None:
    vic, oda = an_actor(desk, "vic", Role.VIEWER), an_actor(desk, "oda", Role.SITE_OPERATOR, ("RHINE",))
    now = desk.clock()
    for kind in EventKind:
        with pytest.raises(Refused):
            record_event(desk, vic, kind, "no such thing", now)
    with pytest.raises(Refused, match="not at OHIO"):
        record_event(desk, oda, EventKind.MACHINE_DOWN, "M01", now, {"until": "never"})


def test_nobody_clears_themselves_and_the_trail_tells_what_changed(desk: Desk, boss: Actor) -> None:
    me = boss.person
    with pytest.raises(Refused, match="another administrator"):
        change_person(desk, boss, me.person_id, me.version, me.role, (), ("ITAR", "EAR"), True)
    added = add_person(desk, boss, "ann", Role.ADMINISTRATOR, ("OHIO",), ())
    with pytest.raises(Refused, match="one-time password"):
        change_person(desk, Actor(added.person), me.person_id, 1, me.role, (), ("ITAR", "EAR"), True)
    with desk.store.begin() as work:
        ann = work.people.change(replace(added.person, must_change_password=False), added.person.version)
    cleared = change_person(desk, Actor(ann), me.person_id, 1, me.role, (), ("ITAR", "EAR"), True)
    assert cleared.cleared_codes == {"ITAR", "EAR"}
    assert change_person(desk, boss, me.person_id, 2, me.role, (), (), True).cleared_codes == frozenset()
    entries = [(t.operation, t.subject, dict(t.details)) for t in list_trail(desk, boss, None, 3)]
    assert entries == [
        ("change person", "boss", {"cleared_codes": {"before": ["EAR", "ITAR"], "after": []}}),
        ("change person", "boss", {"cleared_codes": {"before": ["ITAR"], "after": ["EAR", "ITAR"]}}),
        ("add person", "ann", {"role": "administrator", "sites": ["OHIO"], "cleared_codes": [], "active": True}),
    ]


def test_whoever_plans_is_told_that_lines_are_missing_whatever_is_looked_for(desk: Desk, boss: Actor) -> None:
    roles = {Role.PLANNER: True, Role.ADMINISTRATOR: True, Role.VIEWER: False, Role.SITE_OPERATOR: False}
    for n, (role, partial) in enumerate(roles.items()):
        client = client_of(desk, f"u{n}", role)
        for query in ({}, {"text": "Quiet"}, {"text": "nobody"}):
            assert client.get("/api/v1/lines", params=query).json()["partial"] is partial
    assert not list_lines(desk, boss).partial


def test_whoever_brings_lines_they_will_not_see_is_told_how_many(desk: Desk, boss: Actor, paul: Actor) -> None:
    preview = preview_files(desk, paul, {"o.json": row_of(desk, boss, "1005-1", line="brought-1")})
    assert store_import(desk, paul, preview.import_id).lines_not_shown == 1
    assert "brought-1" not in {x.line_id for x in list_lines(desk, paul).lines}


def test_the_trail_tells_how_many_lines_came_to_whoever_sees_them_all_only(
    desk: Desk, boss: Actor, paul: Actor
) -> None:
    hana = an_actor(desk, "hana", Role.PLANNER, codes=("ITAR",))
    came = [t.details for t in list_trail(desk, hana) if t.operation == "import"]
    assert [d["lines_added"] for d in came] == [1, 10] and all({"lines_changed", "models"} <= d.keys() for d in came)
    told_of = [t for t in list_trail(desk, paul) if t.operation == "import"]
    assert told_of and all(t.details.keys() == {"revision"} for t in told_of)


def test_what_changed_since_an_accepted_plan_was_made_is_told_without_hidden_lines(desk: Desk, boss: Actor) -> None:
    api = client_of(desk, "paul", Role.PLANNER, ("read", "plan"))
    plan_id = with_live_plan(desk)
    again = ask_plan(desk, boss, seconds=1)
    assert Worker(desk).once()
    newer = int(get_job(desk, boss, again.job_id).result["plan_id"])
    hold(desk, boss, "1003-1", "drawing", 1)
    hold(desk, boss, LINE, "drawing", 1)
    with desk.store.begin() as work:
        work.trail.add(desk.clock(), "boss", "sign in", "boss", {})
    seen = {"If-Match": api.get(f"/api/v1/plans/{newer}").headers["ETag"]}
    answer = api.post(f"/api/v1/plans/{newer}/accept", headers=seen)
    assert answer.status_code == 200 and LINE not in answer.text
    since = answer.json()["changed_since"]
    assert since["changes"] == 2 and [(x["operation"], x["subject"]) for x in since["told"]] == [("hold", "1003-1")]
    assert [x.subject for x in book_changes(desk, boss, answer.json()["book_revision"])] == [LINE, "1003-1"]
    third = ask_plan(desk, boss, seconds=1)
    assert Worker(desk).once()
    fresh = int(get_job(desk, boss, third.job_id).result["plan_id"])
    answer = api.post(f"/api/v1/plans/{fresh}/accept", headers={"If-Match": '"1"'})
    assert answer.json()["changed_since"] == {"changes": 0, "told": []} and plan_id < newer < fresh


@pytest.mark.parametrize("name", ["L-1", "L-1.", "L_1_", "L-1-", "_part.stl", "Quiet Works"])
def test_a_sentence_with_a_hidden_name_is_not_told(name: str) -> None:
    names = frozenset({name})
    for text in (
        name,
        f"line {name} is late",
        f"line {name}.",
        f"({name})",
        f"models/{name}: broken",
        f"{name}.csv",
    ):
        assert names_any(text, names) and name not in told(text, names), text
    assert not names_any("L-10, XL-1 and Quiet Workshops' sister", frozenset({"L-1"}))


def test_names_that_stand_on_a_line_that_is_seen_are_no_secret(desk: Desk, paul: Actor) -> None:
    names = hidden_from(desk, paul).names
    assert {LINE, MODEL, "Quiet Works", "Huntsville"} <= names and "bracket.stl" not in names


@pytest.mark.parametrize("way", ["changed", "imported"])
def test_names_a_hidden_line_had_before_stay_secret(desk: Desk, boss: Actor, paul: Actor, way: str) -> None:
    note = "waits for the drawing of Quiet Works"
    hold(desk, boss, "1002-1", note, 1)
    assert get_line(desk, paul, "1002-1").why_held == RESTRICTED_TEXT
    if way == "changed":
        change_line(desk, boss, LINE, {"customer": "Loud Works", "order": "7001-b"}, 1)
    else:
        bring(desk, boss, {"o.json": row_of(desk, boss, LINE, customer="Loud Works", order="7001-b")})
    names = hidden_from(desk, paul).names
    assert {"Quiet Works", "Loud Works", "7001-b"} <= names
    assert (
        get_line(desk, paul, "1002-1").why_held == RESTRICTED_TEXT and get_line(desk, boss, "1002-1").why_held == note
    )
    # Without its code the line is everybody's; what it was called under the code is not.
    version = get_line(desk, boss, LINE).version
    change_line(desk, boss, LINE, {"export_control": "", "customer": "Plain Works"}, version)
    assert get_line(desk, paul, LINE).customer == "Plain Works"
    names = hidden_from(desk, paul).names
    assert {"Quiet Works", "Loud Works"} <= names and not {"Plain Works", LINE, MODEL} & names
    assert hidden_from(desk, boss).names == frozenset()


def test_former_names_hide_nothing_that_stands_on_a_line_that_is_seen(desk: Desk, boss: Actor, paul: Actor) -> None:
    # A name of a line of no code is no secret afterwards; one that a line under a code lost is, until one has it again.
    change_line(desk, boss, "1002-1", {"customer": "Once Pumps"}, 1)
    change_line(desk, boss, "1002-1", {"customer": "Twice Pumps"}, 2)
    change_line(desk, boss, LINE, {"customer": "Loud Works"}, 1)
    assert "Quiet Works" in hidden_from(desk, paul).names and "Once Pumps" not in hidden_from(desk, paul).names
    change_line(desk, boss, "1002-1", {"customer": "Quiet Works"}, 3)
    assert "Quiet Works" not in hidden_from(desk, paul).names
    # That a seen line had it once does not make it plain: the hidden one still has it in old texts.
    change_line(desk, boss, "1002-1", {"customer": "Thrice Pumps"}, 4)
    assert "Quiet Works" in hidden_from(desk, paul).names


def test_an_import_that_changes_controlled_lines_asks_no_more_for_each_than_its_change(
    desk: Desk, boss: Actor, paul: Actor
) -> None:
    def changed(many: int, round_no: int) -> int:
        rows = [
            {**get_line(desk, boss, LINE).cells, "line": f"c-{n}", "customer": f"Works {round_no} {n}"}
            for n in range(many)
        ]
        preview = preview_files(desk, boss, {"o.json": json.dumps(rows).encode()})
        asked: list[str] = []
        engine = desk.store.engine  # type: ignore[attr-defined]
        sa.event.listen(engine, "before_cursor_execute", lambda *told: asked.append(told[2]))
        store_import(desk, boss, preview.import_id)
        return len(asked)

    changed(40, 1)
    some, more = changed(20, 2), changed(40, 3)
    assert more - some <= 20 + 5, "an update for each line; names and lines as they were are asked for together"
    assert {"Works 1 30", "Works 2 7", "Works 3 7"} <= hidden_from(desk, paul).names


def test_a_conflict_is_what_an_overtaken_import_is(desk: Desk, boss: Actor, paul: Actor) -> None:
    client = client_of(desk, "paul", Role.PLANNER)
    files = {"files": ("o.json", row_of(desk, boss, "1002-1", quantity="9"))}
    made = client.post("/api/v1/imports", files=files).json()
    hold(desk, boss, "1002-1", "drawing", 1)
    answer = client.post(f"/api/v1/imports/{made['import_id']}/store")
    assert answer.status_code == 409 and issubclass(Overtaken, Conflict)
    fresh = answer.json()["detail"].split("fresh preview, ")[1].split(",")[0]
    shown = client.get(f"/api/v1/imports/{fresh}")
    assert shown.status_code == 200 and shown.json()["changed_lines"][0]["columns"] == ["quantity"]
    assert client.post(f"/api/v1/imports/{fresh}/store").json()["lines_changed"] == 1


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("wait for line 1001.", "1001"),
        ("shipment 1001-1 left", "1001"),
        ("for ACME", "Acme"),
        ("see l-77", "L-77"),
        ("for_acme.csv", "Acme"),
    ],
)
def test_a_hidden_name_is_heard_beside_marks_and_in_any_case(text: str, name: str) -> None:
    assert names_any(text, frozenset({name}))
    assert not names_any("wait for line 2002, shipment 2002-1, for BRAVO", frozenset({name}))


@pytest.mark.parametrize("text", ["for Quiet  Works", "of QUIET\n    Works,", "Quiet\tworks"])
def test_a_hidden_name_is_heard_however_wide_the_space_in_it_is(text: str) -> None:
    assert names_any(text, frozenset({"Quiet Works"})) and names_any(text, frozenset({"Quiet   Works"}))
    assert not names_any(text, frozenset({"Quiet Workshop"}))


def test_a_text_full_of_marks_is_searched_in_no_time() -> None:
    names = frozenset({"L-77", "1001", "secret.stl", "Quiet Works"})
    began = time.process_time()
    assert not names_any("-" * 99_000, names) and not names_any("a-1." * 25_000, names)
    assert names_any("-" * 50_000 + "L-77" + "-" * 49_000, names)
    assert time.process_time() - began < 2


def test_a_picture_bears_the_name_of_whoever_looks_not_of_whoever_looked_first(
    desk: Desk, boss: Actor, paul: Actor
) -> None:
    assert f"<title>{MODEL}</title>" in part_picture(desk, boss, LINE).svg
    seen = next(x for x in list_lines(desk, paul).lines if x.model == "ring.stl")
    told = part_picture(desk, paul, seen.line_id).svg
    assert "<title>ring.stl</title>" in told and MODEL not in told


def test_a_network_is_not_saved_beside_a_book_that_moved_on(
    desk: Desk, boss: Actor, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = current_network(desk, boss).record
    renamed = before.raw.replace(b"RHINE", b"RHONE")
    free = [x for x in list_lines(desk, boss).lines if not x.pinned_site]
    for x in list_lines(desk, boss).lines:
        cleared = {name: "" for name in ("approved_sites", "pinned_site", "site") if "RHINE" in x.cells.get(name, "")}
        if cleared:
            change_line(desk, boss, x.line_id, cleared, x.version)
    assert check_network(desk, boss, renamed) == ()
    look = network_use._faults

    def then_pinned(work: Work, raw: bytes, hidden: Collection[str]) -> list[Fault]:
        found = look(work, raw, hidden)
        if not get_line(desk, boss, free[0].line_id).pinned_site:
            pin(desk, boss, free[0].line_id, "RHINE", free[0].version)
        return found

    monkeypatch.setattr(network_use, "_faults", then_pinned)
    with pytest.raises(FaultyInput, match="RHINE"):
        save_network(desk, boss, renamed, before.version, "renamed")
    assert current_network(desk, boss).record == before
