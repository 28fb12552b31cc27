"""A machine that breaks down: said on the pages, by whom it may be, taken back, and what the next plan makes of it."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path

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
        again = client.post("/floor/machine", data={**form, "at": "2027-03-01T06:00", "note": "kept words"})
        assert again.status_code == 422 and 'action="/floor/machine"' in again.text  # the form, as it was filled in
        assert 'value="2027-03-01T06:00"' in again.text and "kept words" in again.text and "its offset" in again.text
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
