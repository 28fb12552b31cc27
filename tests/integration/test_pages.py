"""The pages: who sees what, forms that need their token, import, decisions, moves, runs, people."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import httpx
import pytest
from api_client import small_desk
from desk_builder import an_actor, desk_on
from fastapi.testclient import TestClient
from whole_site import PASSWORD, peopled_desk, quick_hash, signed_in, site_of, token_on

from router.domain.network import Scenario
from router.domain.result import Result
from router.report.risk import AtRisk
from router.report.wording import full_day
from router.service.desk import Desk
from router.service.events import record_event
from router.service.plans import live_in_full
from router.service.records import EventKind, Person, Role
from router.store import open_store
from router.web import plans as plans_page
from router.worker import Worker

READ = [
    "/",
    "/orders",
    "/schedule",
    "/plates",
    "/floor",
    "/network",
    "/plans",
    "/plans/1",
    "/runs",
    "/tokens",
    "/password",
]
PLAN = [*READ, "/orders/import", "/runs/new", "/network/file", "/network/editions/1", "/trail"]


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    return peopled_desk(tmp_path_factory.mktemp("site"))


@pytest.fixture
def pia(desk: Desk) -> Iterator[TestClient]:
    with signed_in(desk, "pia") as client:
        yield client


def test_nobody_sees_a_page_without_signing_in(desk: Desk) -> None:
    client = site_of(desk)
    for path in [*PLAN, "/people", "/orders/1001-1", "/plates/x"]:
        answer = client.get(path)
        assert answer.status_code == 303 and answer.headers["location"].startswith("/sign-in"), path


@pytest.mark.parametrize(("name", "open_to", "closed_to"), [
    ("vic", READ, ["/orders/import", "/runs/new", "/network/file", "/trail", "/people"]),
    ("oda", READ, ["/orders/import", "/runs/new", "/network/file", "/people"]),
    ("pia", PLAN, ["/people"]),
    ("adm", [*PLAN, "/people"], []),
])  # fmt: skip
def test_pages_by_role(desk: Desk, name: str, open_to: list[str], closed_to: list[str]) -> None:
    with signed_in(desk, name) as client:
        for path in open_to:
            assert client.get(path).status_code == 200, path
        for path in closed_to:
            answer = client.get(path)
            assert answer.status_code == 403 and "Not allowed" in answer.text, path


def test_every_line_and_plate_has_a_page_and_hidden_ones_do_not(desk: Desk, pia: TestClient) -> None:
    lines = re.findall(r'href="/orders/([^"/?]+)"', pia.get("/orders").text)
    builds = set(re.findall(r'href="/plates/([^"/?]+)\?', pia.get("/plates").text))
    assert "1005-1" in lines and len(builds) >= 3
    for line in set(lines) - {"import"}:
        page = pia.get(f"/orders/{line}")
        assert page.status_code == 200 and "Where to build" in page.text
        assert pia.get(f"/orders/{line}/part.svg").text.startswith("<svg")
    for build in builds:
        page = pia.get(f"/plates/{build}", params={"plan": 1})
        assert page.status_code == 200 and "On the plate" in page.text
        got = pia.get(f"/plates/{build}/file.3mf", params={"plan": 1})
        assert got.status_code == 200 and got.content[:2] == b"PK"
    with signed_in(desk, "vic") as vic:
        for path in ("/", "/orders", "/schedule", "/plates", "/plans/1", "/compare?before=1&after=1"):
            assert "1005-1" not in vic.get(path).text, path
        assert vic.get("/orders/1005-1").status_code == 404
        told = [vic.get(f"/plates/{b}", params={"plan": 1}).text for b in builds]
        assert any(
            "restricted" in t and "<svg class" not in t.split("On the plate")[0].split("</header>")[1] for t in told
        )
        assert not any("1005-1" in t for t in told)


def test_the_order_list_says_where_the_live_plan_builds_and_when_it_arrives(desk: Desk, pia: TestClient) -> None:
    plan = live_in_full(desk)
    names = {s.site_id: s.name for s in plan.scenario.network.sites}
    arrivals = plan.result.plan.last_arrivals()
    sites: dict[str, set[str]] = {}
    for build in plan.result.plan.builds:
        for line_id in build.pieces_by_line():
            sites.setdefault(line_id, set()).add(names[plan.scenario.network.machine[build.machine_id].site_id])
    row_of = r'<tr><th scope="row"><a href="/orders/([^"]+)".*?</tr>'
    rows = {m[1]: m[0] for m in re.finditer(row_of, pia.get("/orders").text)}
    assert len(sites) > 5 and set(sites) <= set(rows)
    for line_id, at in sites.items():
        row = html.unescape(rows[line_id])
        assert all(name in row for name in at) and full_day(arrivals[line_id][0]) in row, row
        assert (f"{arrivals[line_id][1]} day" in row) == (arrivals[line_id][1] > 0)
    for line_id in set(rows) - set(sites):
        assert "not in the live plan" in rows[line_id]
    with signed_in(desk, "oda") as oda:  # at OHIO
        text = html.unescape(oda.get("/orders").text).split("<tbody>")[1]
    others = [line_id for line_id, at in sites.items() if names["OHIO"] not in at]
    assert others and names["RHINE"] not in text and text.count("other sites") >= len(others)


def test_a_site_operator_sees_own_sites_and_records_there(desk: Desk) -> None:
    with signed_in(desk, "oda") as client:
        assert "Millrace" in client.get("/schedule").text
        builds = re.findall(r'href="/plates/([^"/?]+)\?', client.get("/plates").text)
        page = client.get(f"/plates/{builds[0]}").text
        at = re.search(r'name="at" type="datetime-local" value="([^"]+)"', page)
        assert at is not None
        form = {"token": token_on(page), "kind": "started", "at": html.unescape(at[1]), "note": ""}
        assert client.post(f"/plates/{builds[0]}/event", data={**form, "at": "soon"}).status_code == 422
        assert client.post(f"/plates/{builds[0]}/event", data=form).status_code == 303
        assert client.post(f"/plates/{builds[0]}/event", data=form).status_code == 409
        page = client.get(f"/plates/{builds[0]}").text
        assert "build started" in page
        place = re.search(r'action="(/plates/[^"]+/withdraw)"', page)
        assert place is not None
        assert client.post(place[1], data={**form, "why": ""}).status_code == 422
        assert client.post(place[1], data={**form, "why": "wrong <plate>"}).status_code == 303
        page = client.get(f"/plates/{builds[0]}").text
        assert "<s>build started</s>" in page and "wrong &lt;plate&gt;" in page and "/withdraw" not in page
        assert client.post(place[1], data={**form, "why": "again"}).status_code == 409
        assert client.post(f"/plates/{builds[0]}/event", data=form).status_code == 303


def test_events_of_machines_and_shipments_are_withdrawn_on_the_pages(desk: Desk) -> None:
    live = live_in_full(desk)
    machine = next(m for m in live.scenario.network.machines if m.site_id == "OHIO")
    other = next(m for m in live.scenario.network.machines if m.site_id != "OHIO")
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    at = live.scenario.network.now
    for m in (machine, other):
        record_event(desk, boss, EventKind.MACHINE_DOWN, m.machine_id, at, {"note": "lens <cracked>"})
    with signed_in(desk, "vic") as client:
        page = client.get("/floor").text
        assert other.machine_id in page and "lens &lt;cracked&gt;" in page and "/withdraw" not in page
        # Sites by name, moments on their own clocks: the same one is told in two zones.
        assert "<td>Millrace works</td>" in page and "Mon 1 Mar 2027 06:00 EST" in page
        assert "<td>Uferhof works</td>" in page and "Mon 1 Mar 2027 12:00 CET" in page
        assert "UTC" not in page.split("<main")[1].split("<footer")[0] and "<td>RHINE</td>" not in page
    with signed_in(desk, "oda") as client:
        page = client.get("/floor").text
        assert 'href="/floor"' in client.get("/plates").text and f"<td>{other.machine_id}</td>" not in page
        place = re.search(rf'<td>{machine.machine_id}</td>.*?action="(/floor/events/[0-9]+/withdraw)"', page)
        assert place is not None
        form = {"token": token_on(page), "why": ""}
        assert client.post(place[1], data=form).status_code == 422
        assert client.post(place[1], data={**form, "why": "it was cleaned"}).status_code == 303
        page = client.get("/floor").text
        assert "<s>machine down</s>" in page and "it was cleaned" in page and place[1] not in page
        assert client.post(place[1], data={**form, "why": "again"}).status_code == 409
    with signed_in(desk, "pia") as client:
        page = client.get("/floor").text
        place = re.search(rf'<td>{other.machine_id}</td>.*?action="(/floor/events/[0-9]+/withdraw)"', page)
        assert place is not None
        assert client.post(place[1], data={"token": token_on(page), "why": "nor this"}).status_code == 303


def test_a_form_without_its_token_changes_nothing(pia: TestClient) -> None:
    for token in ("", "0" * 64):
        answer = pia.post("/orders/1001-1/hold", data={"token": token, "why": "x", "version": "1"})
        assert answer.status_code == 403
    assert "open" in pia.get("/orders/1001-1").text


def test_hold_release_pin_and_a_stale_form(pia: TestClient) -> None:
    page = pia.get("/orders/1001-2").text
    form = {"token": token_on(page), "version": "1"}
    assert pia.post("/orders/1001-2/hold", data={**form, "why": "drawing <b>missing</b>"}).status_code == 303
    held = pia.get("/orders/1001-2").text
    assert "drawing &lt;b&gt;missing" in held and "<b>missing" not in held
    stale = pia.post("/orders/1001-2/hold", data={**form, "why": "again"})
    assert stale.status_code == 409 and "changed" in stale.text
    assert pia.post("/orders/1001-2/release", data={**form, "version": "2"}).status_code == 303
    assert pia.post("/orders/1001-2/pin", data={**form, "version": "3", "site": "OHIO"}).status_code == 303
    assert "pinned to Millrace works" in pia.get("/orders/1001-2").text
    assert pia.post("/orders/1001-2/pin", data={**form, "version": "4", "site": "MARS"}).status_code == 422


def test_a_pin_where_the_line_cannot_be_built_is_said_at_once(pia: TestClient) -> None:
    path, site_said = "/orders/1004-1", "cannot build it: plans leave the line out"
    for site, said in (("RHINE", True), ("OHIO", False), ("RHINE", True), ("", False)):
        text = pia.get(path).text
        version = re.search(r'name="version" value="(\d+)"', text)
        assert version is not None
        sent = {"token": token_on(text), "version": version[1], "site": site}
        assert pia.post(f"{path}/pin", data=sent).status_code == 303
        shown = html.unescape(pia.get(path).text)
        assert (site_said in shown) is said
        assert ("R01: not qualified for ti64" in shown and "pin it to Millrace works, or to no site" in shown) is said


def test_import_with_a_fault_then_mended(pia: TestClient) -> None:
    page = pia.get("/orders/import").text
    cells = {
        "line": "new-1",
        "order": "n",
        "customer": "Invented",
        "model": "ring.stl",
        "unit": "mm",
        "alloy": "316l",
        "quantity": "many",
        "ship_to": "Lyon",
        "ship_country": "FR",
        "received": "2027-02-20",
        "due": "2027-04-01",
    }
    form = {"token": token_on(page)}
    bad = pia.post("/orders/import", data=form, files={"files": ("o.json", json.dumps([cells]))})
    assert bad.status_code == 422 and "quantity" in bad.text and "Store it" not in bad.text
    good = pia.post("/orders/import", data=form, files={"files": ("o.json", json.dumps([{**cells, "quantity": "3"}]))})
    assert good.status_code == 200 and "new-1" in good.text
    import_id = re.search(r'name="import_id" value="([0-9a-f]+)"', good.text)
    assert import_id is not None
    assert pia.post("/orders/import/store", data={**form, "import_id": import_id[1]}).status_code == 303
    assert "new-1" in pia.get("/orders", params={"text": "new-1"}).text
    where = pia.get("/orders/new-1").text
    assert "Where to build" in where and "Landed, fair share" in where


def test_move_by_form_shows_the_change_keeps_it_and_can_be_undone(pia: TestClient) -> None:
    page = pia.get("/schedule").text
    found = re.findall(r'data-machine="([^"]+)"(.*?)(?=data-machine=|$)', page, re.S)
    queues = {m: re.findall(r'data-build="([^"]+)"', rest) for m, rest in found}
    machine, queue = max(queues.items(), key=lambda q: len(q[1]))
    form = {"token": token_on(page), "plan": "1", "site": "", "from": "2027-03-01", "days": "14", "build": queue[-1],
            "machine": machine, "after": ""}  # fmt: skip
    tried = pia.post("/schedule/try", data=form)
    assert (
        tried.status_code == 200
        and "the auditor finds nothing" in tried.text
        and "Landed cost of the plan" in tried.text
    )
    kept = pia.post("/schedule/keep", data=form)
    assert kept.status_code == 303
    after = pia.get(kept.headers["location"]).text
    assert "Undo: back to plan 1" in after
    number = re.search(r"plan=(\d+)", kept.headers["location"])
    assert number is not None
    compared = pia.get(f"/compare?before=1&after={number[1]}").text
    assert "moved" in compared and "Key figures" in compared
    impossible = pia.post("/schedule/try", data={**form, "machine": "nowhere"})
    assert impossible.status_code == 404


def test_a_run_from_the_form_is_accepted_as_the_live_plan(desk: Desk, pia: TestClient) -> None:
    page = pia.get("/runs/new").text
    form = {"token": token_on(page), "seconds": "2", "seed": "5", "workers": "1", "note": "from a form"}
    assert pia.post("/runs/new", data={**form, "seconds": "0"}).status_code == 422
    started = pia.post("/runs/new", data=form)
    assert started.status_code == 303
    assert "Stop and keep the best" in pia.get(started.headers["location"]).text
    assert Worker(desk).once()
    done = pia.get(started.headers["location"]).text
    plan = re.search(r'href="/plans/(\d+)">To the plan', done)
    assert plan is not None, done
    page = pia.get(f"/plans/{plan[1]}").text
    assert "from a form" in page and "Accept" in page and "does not know" not in page
    held = {"token": token_on(page), "version": "1", "why": "drawing"}
    assert pia.post("/orders/1003-2/hold", data=held).status_code == 303
    assert pia.post("/orders/1003-2/release", data={**held, "version": "2"}).status_code == 303
    pia.get("/orders/1003-2")
    page = pia.get(f"/plans/{plan[1]}").text
    assert "2 changes of the book since" in page and "<td>hold</td><td>1003-2</td>" in page
    accepted = pia.post(f"/plans/{plan[1]}/accept", data={"token": token_on(page), "version": "1"})
    assert accepted.status_code == 303
    shown = pia.get("/").text
    assert f"Live plan {plan[1]}" in shown and "Since the plan before" in shown
    assert "It does not know 2 changes of the book made since (release 1003-2, hold 1003-2)" in shown


def test_the_network_is_edited_by_field_and_by_file(pia: TestClient) -> None:
    page = pia.get("/network").text
    form = {"token": token_on(page), "version": "1", "site": "OHIO", "machine": "M01", "field": "rate_per_h"}
    assert pia.post("/network/field", data={**form, "value": "free"}).status_code == 422
    assert pia.post("/network/field", data={**form, "value": "-5"}).status_code == 422
    asked = pia.post("/network/field", data={**form, "value": "91.5"})
    assert asked.status_code == 200 and "<b>46 \u2192 91.5</b>: keep?" in asked.text
    assert "edition 1" in pia.get("/network").text
    assert pia.post("/network/field", data={**form, "value": "91.5", "keep": "yes"}).status_code == 303
    shown = pia.get("/network").text
    assert "Saved as edition 2: M01: rate_per_h 46 \u2192 91.5." in shown
    assert "M01: rate_per_h 46 \u2192 91.5" in pia.get("/trail").text
    stale = pia.post("/network/field", data={**form, "value": "90"})
    assert stale.status_code == 409, "an old page asks nothing about another edition"
    editor = pia.get("/network/file").text
    assert "91.5" in editor
    broken = {"token": token_on(editor), "version": "2", "text": "name: only", "do": "save", "note": ""}
    answer = pia.post("/network/file", data=broken)
    assert answer.status_code == 422 and "What is wrong" in answer.text and "name: only" in answer.text


def test_every_trouble_has_a_heading_that_fits(desk: Desk) -> None:
    def heading(answer: httpx.Response) -> str:
        found = re.search(r"<h1>(.*?)</h1>", answer.text)
        assert found is not None
        return found[1]

    with signed_in(desk, "adm") as client:
        with desk.store.look() as work:
            people = {p.name: p for p in work.people.all()}
        assert people["boss"].role is Role.ADMINISTRATOR
        form = {"token": token_on(client.get("/people").text), "role": "administrator", "active": "yes", "sites": ""}

        def change(name: str, **sent: str) -> httpx.Response:
            with desk.store.look() as work:
                person = work.people.get(people[name].person_id)
            assert person is not None
            mine = {**form, "version": str(person.version), "codes": ", ".join(person.cleared_codes), **sent}
            return client.post(f"/people/{person.person_id}", data=mine)

        assert heading(change("adm", codes="ITAR, EU-DU")) == "Nobody does this to themselves"
        assert heading(change("boss", version="99")) == "It has changed meanwhile"
        assert change("boss", active="").status_code == 303
        assert heading(change("adm", role="viewer")) == "That cannot be done as things stand"
        assert change("boss").status_code == 303
        assert heading(client.post("/orders/1001-1/hold", data={"token": "0" * 64})) == "This form is out of date"
        assert heading(client.get("/plans/1/accept")) == "There is nothing to look at here"
        assert heading(client.post("/plans", data=form)) == "Nothing can be sent here"


def test_people_are_added_with_a_password_shown_once(desk: Desk) -> None:
    with signed_in(desk, "adm") as client:
        page = client.get("/people").text
        form = {"token": token_on(page), "name": "new person", "role": "viewer", "sites": "", "codes": ""}
        made = client.post("/people", data=form)
        shown = re.search(r"<code>([^<]+)</code>", made.text)
        assert made.status_code == 200 and shown is not None
        assert shown[1] not in client.get("/people").text
    fresh = site_of(desk)
    ask = fresh.get("/sign-in")
    sent = {"token": token_on(ask.text), "name": "New Person", "password": html.unescape(shown[1]), "next": "/orders"}
    assert fresh.post("/sign-in", data=sent).status_code == 303
    assert fresh.get("/orders").headers["location"] == "/password"
    page = fresh.get("/password").text
    change = {"token": token_on(page), "old": html.unescape(shown[1]), "new": "short", "again": "short"}
    assert fresh.post("/password", data=change).status_code == 422
    change |= {"new": "long enough to be kept", "again": "long enough to be kept"}
    assert fresh.post("/password", data=change).status_code == 303
    assert fresh.get("/orders").status_code == 200


def test_no_browser_keeps_the_picture_of_a_controlled_part(desk: Desk) -> None:
    with signed_in(desk, "pia") as client:
        kept = {x: client.get(f"/orders/{x}/part.svg").headers["cache-control"] for x in ("1005-1", "1001-1")}
    assert kept == {"1005-1": "no-store", "1001-1": "private, max-age=3600"}


def test_sign_in_is_limited_and_tells_nothing(desk: Desk) -> None:
    client = site_of(desk)
    answers = []
    for _ in range(7):
        token = token_on(client.get("/sign-in").text)
        sent = {"token": token, "name": "nobody here", "password": "wrong", "next": "/"}
        answer = client.post("/sign-in", data=sent)
        answers.append((answer.status_code, answer.headers.get("Retry-After")))
    assert answers[:5] == [(401, None)] * 5 and [status for status, _ in answers[5:]] == [429] * 2
    assert all(800 < int(wait or 0) <= 901 for _, wait in answers[5:]), "until the first of them counts no more"
    token = token_on(client.get("/sign-in").text)
    other = client.post(
        "/sign-in", data={"token": token, "name": "vic", "password": PASSWORD, "next": "//evil.example"}
    )
    assert other.status_code == 303 and other.headers["location"] == "/"


def test_an_empty_book_offers_the_demonstration(tmp_path_factory: pytest.TempPathFactory) -> None:

    folder = tmp_path_factory.mktemp("empty")
    desk = desk_on(open_store(f"sqlite:///{folder / 'a.db'}"), folder / "cache")
    from argon2 import PasswordHasher

    with desk.store.begin() as work:
        work.people.add(
            Person(0, "pia", Role.PLANNER), PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash(PASSWORD)
        )
    with signed_in(desk, "pia") as client:
        for path in (
            "/",
            "/orders",
            "/schedule",
            "/plates",
            "/network",
            "/plans",
            "/runs",
            "/runs/new",
            "/what-if/site",
        ):
            answer = client.get(path)
            assert answer.status_code == 200 and 'class="empty"' in answer.text, path
        empty = client.get("/").text
        assert "Load the demonstration" in empty and "takes about half a minute" in empty and "data-busy=" in empty


def test_who_can_clear_the_reader_is_said_where_lines_are_not_shown(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    with desk.store.begin() as work:
        for name, role, codes in (
            ("una", Role.ADMINISTRATOR, ()),
            ("paul", Role.PLANNER, ()),
            ("vic", Role.VIEWER, ("ITAR",)),
            ("ida", Role.PLANNER, ("ITAR",)),
        ):
            work.people.add(Person(0, name, role, frozenset(), frozenset(codes)), quick_hash(PASSWORD))
    export, lone = 'href="/api/v1/export"', "There is none yet; add one there"
    for name, said in (("una", "another administrator does it"), ("paul", "An administrator can clear you")):
        with signed_in(desk, name) as client:
            for path in ("/", "/orders"):
                shown = client.get(path).text
                assert said in shown and lone not in shown and export not in shown, (name, path)
            assert client.get("/api/v1/export").status_code == 403
    with signed_in(desk, "vic") as client:
        assert export not in client.get("/orders").text and client.get("/api/v1/export").status_code == 403
    with signed_in(desk, "ida") as client:
        assert export in client.get("/orders").text and client.get("/api/v1/export").status_code == 200
        assert "not shown" not in client.get("/").text
    with desk.store.begin() as work:
        boss = next(p for p in work.people.all() if p.name == "boss")
        work.people.change(replace(boss, active=False), boss.version)
    with signed_in(desk, "una") as client:
        assert lone in client.get("/").text and lone in client.get("/orders").text


def test_runs_and_plans_about_a_hidden_line_do_not_name_it(desk: Desk) -> None:
    with signed_in(desk, "pia") as pia:
        page = pia.get("/orders/1005-1").text
        asked = pia.post("/orders/1005-1/elsewhere", data={"token": token_on(page), "seconds": "1"})
        assert asked.status_code == 303
        while Worker(desk).once():
            pass
        assert "1005-1" in pia.get("/runs").text and "line 1005-1 at" in pia.get("/plans").text
    with signed_in(desk, "vic") as vic:
        assert vic.get(asked.headers["location"]).status_code == 404
        for path in ("/runs", "/plans", "/", "/schedule", "/plates"):
            assert "1005-1" not in vic.get(path).text, path
    with desk.store.begin() as work:
        known = work.people.named("uma")
        if known is None:
            work.people.add(Person(0, "uma", Role.PLANNER), quick_hash(PASSWORD))
    with signed_in(desk, "uma") as uma:
        editor = uma.get("/network/file").text
        text = html.unescape(re.search(r"<textarea[^>]*>(.*?)</textarea>", editor, re.S)[1])  # type: ignore[index]
        form = {"token": token_on(editor), "version": "2", "do": "check", "note": ""}
        answer = uma.post("/network/file", data={**form, "text": text.replace("id: ti64", "id: ti65")})
        assert answer.status_code == 422 and "1005-1" not in answer.text


def planned_line(desk: Desk) -> str:
    """A line of the live plan that other sites could build too; earlier tests may have finished any one of them."""
    result = live_in_full(desk).result
    shipped = {s.line_id for s in result.plan.shipments}
    return next(
        o.line_id for o in result.options if o.line_id in shipped and sum(site.possible for site in o.sites) > 1
    )


def test_the_choice_of_inches_holds_on_every_page_with_lengths(desk: Desk, pia: TestClient) -> None:
    build = re.findall(r'href="/plates/([^"/?]+)\?', pia.get("/plates?plan=1").text)[0]
    pages = (
        "/schedule?plan=1",
        "/plates?plan=1",
        f"/plates/{build}?plan=1",
        "/network",
        f"/orders/{planned_line(desk)}",
    )

    def said(units: str) -> list[str]:
        form = {"token": token_on(pia.get("/schedule?plan=1").text), "units": units, "look": "system", "next": "/"}
        assert pia.post("/choices", data=form).status_code == 303
        # The picture of a plate, its scale and files stay in mm, as machines are set up.
        return [re.sub(r"<div class=\"picture\">.*?</div>", "", pia.get(p).text, flags=re.S) for p in pages]

    metric, inch = said("metric"), said("inch")
    for path, one, other in zip(pages, metric, inch, strict=True):
        shown, shown_inch = (re.sub(r"mm, kg|in, lb", "", t).replace("\u00a0", " ") for t in (one, other))
        assert re.search(r"[\d.] mm\b|, mm<", shown), path
        assert not re.search(r"[\d.] (mm|cm2)\b|, mm<|>km<|>kg<|\d km\b", shown_inch), path
        assert re.search(r"[\d.] in\b|, in<", shown_inch), path
    said("metric")


def test_the_page_of_a_line_shows_other_ways_and_leaves_the_curve_to_a_part(desk: Desk, pia: TestClient) -> None:
    path = f"/orders/{planned_line(desk)}"
    page = pia.get(path).text
    assert f'data-fill="{path}/quantities?part=1"' in page and "Cost of a piece by quantity" not in page
    assert "possible, not planned" in page
    part = pia.get(f"{path}/quantities", params={"part": 1}).text
    assert "Cost of a piece by quantity" in part and "<html" not in part
    assert part.count("<tr") > 8 and "as ordered" in part
    assert "<html" in pia.get(f"{path}/quantities").text


def test_a_site_that_is_not_there_is_told_by_pages_that_show_one(pia: TestClient) -> None:
    for path in ("/schedule", "/plates"):
        answer = pia.get(path, params={"site": "OHOI"})
        assert answer.status_code == 422 and "did you mean" in answer.text, path


def test_pins_by_form(pia: TestClient) -> None:
    page = pia.get("/schedule").text
    plan = re.search(r'name="plan" value="(\d+)"', page)
    assert plan is not None
    build = re.findall(r'href="/plates/([^"/?]+)\?', pia.get("/plates").text)[0]
    form = {"token": token_on(page), "plan": plan[1], "build": build, "pinned": "yes", "back": "plate"}
    where = f"/plates/{build}?plan={plan[1]}"
    assert pia.post("/schedule/pin", data=form).headers["location"] == where
    assert "pinned by pia" in pia.get(where).text
    shown = pia.get("/schedule").text
    assert 'data-pinned="yes"' in shown and 'class="pin"' in shown and f"{build}, pinned by pia" in shown
    assert pia.post("/schedule/pin", data={**form, "pinned": "no"}).status_code == 303
    assert 'data-pinned="yes"' not in pia.get("/schedule").text


def test_what_a_line_costs_in_the_plan_is_what_where_to_build_says(pia: TestClient) -> None:
    page = pia.get("/orders/1001-1").text
    assert "Carbon of the build, fair share" in page
    part = page.split("What it costs in the plan")[1].split("</table>")[0]
    amounts = [float(a.replace(",", "")) for a in re.findall(r'<td class="num">([\d,]+\.\d\d)', part)]
    assert round(sum(amounts[:-1]), 2) == amounts[-1]
    chosen = page.split('<tr class="chosen">')[1].split("</tr>")[0]
    fair = re.search(r"</span> ([\d,]+)", chosen)
    assert fair is not None and float(fair[1].replace(",", "")) == round(amounts[-1])


def test_many_orders_at_risk_are_folded(pia: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    def many(scenario: Scenario, result: Result) -> list[AtRisk]:
        sent = result.plan.shipments[0]
        return [AtRisk(scenario.line[sent.line_id], sent, -1, "1 day late", f"cause {n}", "", "") for n in range(130)]

    monkeypatch.setattr(plans_page, "at_risk", many)
    page = pia.get("/plans/1").text
    open_rows, folded = page.split('<details class="more">')
    assert "cause 11<" in open_rows and "cause 12<" not in open_rows
    assert "118 more" in folded and "cause 12<" in folded and "cause 129<" in folded
    monkeypatch.setattr(plans_page, "at_risk", lambda *_: many(*_)[:12])
    assert '<details class="more">' not in pia.get("/plans/1").text
