"""A machine that breaks down: said on the pages, by whom it may be, taken back, and what the next plan makes of it."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from api_client import client_of
from desk_builder import an_actor
from whole_site import peopled_desk, signed_in, token_on

from router.service.events import list_events
from router.service.jobs import ask_plan, get_job
from router.service.plans import full_plan, live_in_full
from router.service.records import Role
from router.service.snapshot import snapshot
from router.worker import Worker


def test_a_machine_that_is_down_is_recorded_on_the_pages_and_left_out_of_the_next_plan(tmp_path: Path) -> None:
    desk = peopled_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    network = live_in_full(desk).scenario.network
    machine = next(m for m in network.machines if m.site_id == "OHIO")
    other = next(m for m in network.machines if m.site_id != "OHIO")
    until = network.now + timedelta(days=2)
    form = {"machine": machine.machine_id, "kind": "down", "at": network.now.isoformat(), "note": "lens <cracked>"}
    with signed_in(desk, "vic") as client:
        page = client.get("/floor").text
        assert machine.machine_id in page and 'action="/floor/machine"' not in page
        word = token_on(client.get("/").text)
        assert client.post("/floor/machine", data={**form, "token": word}).status_code == 403
    with signed_in(desk, "oda") as client:
        page = client.get("/floor").text
        form["token"] = token_on(page)
        assert f'value="{machine.machine_id}"' in page and other.machine_id not in page
        refused = client.post("/floor/machine", data={**form, "machine": other.machine_id})
        assert refused.status_code == 403 and "works at OHIO" in refused.text
        for wrong in (
            {"at": "yesterday"},
            {"until": "soon"},
            {"until": network.now.isoformat()},
            {"kind": "broken"},
            {"kind": "up", "until": until.isoformat()},
        ):
            assert client.post("/floor/machine", data={**form, **wrong}).status_code == 422, wrong
        again = client.post("/floor/machine", data={**form, "at": "2027-03-01", "note": "kept words"})
        assert again.status_code == 422 and 'action="/floor/machine"' in again.text  # the form, as it was filled in
        assert (
            'value="2027-03-01"' in again.text
            and "kept words" in again.text
            and "on the clock of the site" in again.text
        )
        assert 'href="/floor"' in client.get("/").text
        assert client.post("/floor/machine", data={**form, "machine": "nothing"}).status_code == 404
        came = {"referer": f"{client.base_url}/floor?before=9"}
        up = client.post("/floor/machine", data={**form, "kind": "up"}, headers=came)
        assert 'class="button" href="/floor?before=9"' in up.text
        elsewhere = {"referer": "https://example.org/floor"}
        assert (
            "Back to the page" not in client.post("/floor/machine", data={**form, "kind": "up"}, headers=elsewhere).text
        )
        assert up.status_code == 409 and "it is up then" in up.text
        assert list_events(desk, boss) == []
        assert client.post("/floor/machine", data={**form, "until": until.isoformat()}).status_code == 303
        page = client.get("/floor").text
        assert "Recorded: machine down" in page and "lens &lt;cracked&gt;" in page and "plans use it again from" in page
    stops = [m for m in snapshot(desk).scenario.network.machine[machine.machine_id].maintenance if m.why == "down"]
    assert [(m.start, m.end) for m in stops] == [(network.now, until)]
    job = ask_plan(desk, boss, seconds=1)
    assert Worker(desk).once()
    plan = full_plan(desk, boss, int(get_job(desk, boss, job.job_id).result["plan_id"])).result.plan
    runs = [(b.run_start, b.run_end) for b in plan.builds if b.machine_id == machine.machine_id]
    assert all(end <= network.now or start >= until for start, end in runs)
    api = client_of(desk, "pia", Role.PLANNER)
    told = {m["machine_id"]: m for m in api.get("/api/v1/machines").json()["machines"]}
    assert told[machine.machine_id]["state"] == "down" and told[other.machine_id]["state"] == "up"
    with signed_in(desk, "oda") as client:
        page = client.get("/floor").text
        place = re.search(r'action="(/floor/events/[0-9]+/withdraw)"', page)
        assert place is not None
        assert client.post(place[1], data={"token": token_on(page), "why": "the other one"}).status_code == 303
        assert "plans use it again" not in client.get("/floor").text
    assert snapshot(desk).scenario.network.machine[machine.machine_id].maintenance == machine.maintenance


def test_a_time_is_typed_on_the_clock_of_the_site(tmp_path: Path) -> None:
    desk = peopled_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    with signed_in(desk, "pia") as client:
        page = client.get("/floor").text
        assert re.search(r'value="M01" data-now="2027-03-01T06:00"', page), "the moment of the plan in Ohio"
        assert re.search(r'value="R01" data-now="2027-03-01T12:00"', page), "and on the Rhine"
        form = {"token": token_on(page), "kind": "down", "note": ""}
        # In Ohio clocks go from 2:00 to 3:00 on 14 March.
        for wrong in ({"at": "2027-03-14T02:30"}, {"at": "2027-03-02T06:00", "until": "2027-03-14T02:30"}):
            answer = client.post("/floor/machine", data={**form, "machine": "M01", **wrong})
            assert answer.status_code == 422 and "clocks of the site go forward" in answer.text
        for machine, at, until in (
            ("M01", "2027-03-02T06:00", "2027-03-14T03:30"),
            ("R01", "2027-03-02T06:00", "2027-03-28T03:30"),
        ):
            sent = {**form, "machine": machine, "at": at, "until": until}
            assert client.post("/floor/machine", data=sent).status_code == 303
        assert "Recorded: machine down, R01, Tue 2 Mar 2027 06:00 CET" in client.get("/floor").text
        # One that was typed with its offset is read by it.
        sent = {**form, "kind": "up", "machine": "R01", "at": "2027-03-02T00:30:00-05:00"}
        assert client.post("/floor/machine", data=sent).status_code == 303
        page = client.get("/plates").text
        build = next(b for b in live_in_full(desk).result.plan.builds if b.machine_id == "R01")
        shown = client.get(f"/plates/{build.build_id}?plan=1").text
        local = build.load_start.astimezone(ZoneInfo("Europe/Berlin")).strftime("%Y-%m-%dT%H:%M")
        assert f'type="datetime-local" value="{local}"' in shown and "On the clock of Uferhof works" in shown
        sent = {"token": form["token"], "plan": "1", "kind": "started", "at": local, "note": ""}
        assert client.post(f"/plates/{build.build_id}/event", data=sent).status_code == 303
    found = {(e.kind.value, e.subject): (e.occurred_at, e.details.get("until")) for e in list_events(desk, boss)}
    ohio, rhine = found["machine down", "M01"], found["machine down", "R01"]
    assert ohio[0] == datetime(2027, 3, 2, 11, tzinfo=UTC) and rhine[0] == datetime(2027, 3, 2, 5, tzinfo=UTC)
    assert datetime.fromisoformat(ohio[1]) == datetime(2027, 3, 14, 7, 30, tzinfo=UTC)
    assert datetime.fromisoformat(rhine[1]) == datetime(2027, 3, 28, 1, 30, tzinfo=UTC)
    assert found["machine up", "R01"][0] == datetime(2027, 3, 2, 5, 30, tzinfo=UTC)
    assert found["build started", build.build_id][0] == build.load_start


def test_a_time_that_some_clock_has_no_year_for_is_told_and_never_a_fault_of_ours(tmp_path: Path) -> None:
    desk = peopled_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    build = live_in_full(desk).result.plan.builds[0]
    with signed_in(desk, "adm") as client:
        word = {"token": token_on(client.get("/floor").text), "kind": "down"}
        ends = ("0001-01-01T00:00", "9999-12-31T23:59", "0001-01-01T00:00+14:00", "9999-12-31T23:59-05:00")
        for machine in ("M01", "R01"):
            for end in ends:
                for times in ({"at": end}, {"at": "2027-03-01T12:00", "until": end}):
                    answer = client.post("/floor/machine", data={**word, "machine": machine, **times})
                    assert answer.status_code == 422 and end in html.unescape(answer.text), (machine, times)
        sent = {**word, "plan": "1", "kind": "started", "note": ""}
        for end in ends:
            assert client.post(f"/plates/{build.build_id}/event", data={**sent, "at": end}).status_code == 422, end
        for odd in (*ends, "soon", "2027-03-01T06:00"):
            again = {**word, "machine": "M01", "at": "never", "at_offered": odd}
            assert client.post("/floor/machine", data=again).status_code == 422, odd
    assert list_events(desk, boss) == []


def test_what_the_page_offers_in_the_hour_that_comes_twice_is_that_very_moment(tmp_path: Path) -> None:
    # On the Rhine clocks go back from 3:00 to 2:00 on 31 October 2027, at 01:00 UTC.
    second = datetime(2027, 10, 31, 1, 30, 20, tzinfo=UTC)
    desk = replace(peopled_desk(tmp_path, plan=False), clock=lambda: second, plans_from_now=True)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    with signed_in(desk, "adm") as client:
        page = client.get("/floor").text
        assert 'value="R01" data-now="2027-10-31T02:30"' in page
        offered = re.search(r'name="at_offered" value="([^"]+)"', page)
        assert offered is not None
        sent = {"token": token_on(page), "machine": "R01", "kind": "down", "at_offered": offered[1], "note": ""}
        wrong = client.post("/floor/machine", data={**sent, "at": "2027-10-31T02:30", "kind": "none"})
        assert wrong.status_code == 422 and offered[0] in wrong.text  # and stands there again
        assert client.post("/floor/machine", data={**sent, "at": "2027-10-31T02:30"}).status_code == 303
        assert client.post("/floor/machine", data={**sent, "at": "2027-10-31T02:20"}).status_code == 303
    assert [e.occurred_at for e in list_events(desk, boss)] == [
        datetime(2027, 10, 31, 1, 30, tzinfo=UTC),
        datetime(2027, 10, 31, 0, 20, tzinfo=UTC),
    ]


def test_a_plate_offers_its_moment_with_its_offset(tmp_path: Path) -> None:
    desk = peopled_desk(tmp_path)
    build = live_in_full(desk).result.plan.builds[0]
    with signed_in(desk, "adm") as client:
        shown = client.get(f"/plates/{build.build_id}?plan=1").text
    offered = re.search(r'name="at_offered" value="([^"]+)"', shown)
    assert offered is not None and datetime.fromisoformat(offered[1]) == build.load_start
