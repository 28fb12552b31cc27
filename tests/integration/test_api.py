"""The HTTP interface: versions, keys, problems, files, progress, feeds."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import icalendar
import pytest
from api_client import client_of, planned_desk
from desk_builder import SMALL
from fastapi.testclient import TestClient
from whole_site import site_of

from router.api.app import create_app
from router.service.desk import Desk
from router.service.records import Role
from router.worker import Worker

V1 = "/api/v1"


@pytest.fixture(scope="module")
def desk(planned: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    yield planned_desk(planned, tmp_path_factory.mktemp("desk"))


@pytest.fixture
def client(desk: Desk) -> TestClient:
    return client_of(desk)


def first_line(client: TestClient) -> dict[str, object]:
    found: dict[str, object] = client.get(f"{V1}/lines").json()["lines"][0]
    return found


def test_without_a_token_nothing_is_told(desk: Desk) -> None:
    nobody = TestClient(create_app(desk))
    answer = nobody.get(f"{V1}/lines")
    assert answer.status_code == 401 and answer.headers["content-type"] == "application/problem+json"
    assert answer.headers["www-authenticate"] == "Bearer" and answer.json()["type"] == "/problems/not-signed-in"
    assert nobody.get(f"{V1}/lines", headers={"Authorization": "Bearer x"}).status_code == 401
    assert nobody.get("/health/live").text == "alive" and nobody.get("/health/ready").text == "ready"


def test_every_answer_carries_the_security_headers(client: TestClient) -> None:
    for path in (f"{V1}/lines", f"{V1}/nothing", "/health/live"):
        headers = client.get(path).headers
        assert "frame-ancestors 'none'" in headers["content-security-policy"]
        assert "script-src 'self';" in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff" and len(headers["x-request-id"]) == 32


@pytest.mark.parametrize("path", ["/api", "/api/", "/api/v1", "/api/v1/nothing", "/api/v2/lines", "/api/v1/lines/"])
def test_an_address_that_is_not_there_is_told_to_programs(desk: Desk, path: str) -> None:
    whole = site_of(desk)
    answer = whole.get(path)
    assert answer.status_code == 404 and answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["type"] == "/problems/not-found" and path in answer.json()["detail"]
    page = whole.get("/no-such-page")
    assert page.status_code == 404 and page.headers["content-type"].startswith("text/html")


def test_a_method_that_is_not_taken_is_told_with_those_that_are(client: TestClient, desk: Desk) -> None:
    token = {"Authorization": client.headers["Authorization"]}
    answer = site_of(desk).delete(f"{V1}/lines", headers=token)
    assert answer.status_code == 405 and answer.headers["content-type"] == "application/problem+json"
    assert answer.headers["allow"] == "GET"
    assert answer.json()["title"] == "This address takes other methods" and answer.json()["detail"] == "it takes GET"


@pytest.mark.parametrize(
    ("method", "path", "takes"),
    [
        ("DELETE", "/lines/1001-1", "GET, PATCH"),
        ("DELETE", "/network", "GET, PUT, PATCH"),
        ("PUT", "/what-ifs", "GET, POST"),
        ("GET", "/plans/1/pins/b", "PUT, DELETE"),
        ("PUT", "/runs", "GET, POST"),
        ("OPTIONS", "/people", "GET, POST"),
    ],
)
def test_all_methods_of_an_address_are_told(client: TestClient, desk: Desk, method: str, path: str, takes: str) -> None:
    for site in (client, site_of(desk)):
        answer = site.request(method, f"{V1}{path}", headers={"Authorization": client.headers["Authorization"]})
        assert answer.status_code == 405 and answer.headers["allow"] == takes
        assert answer.json()["detail"] == f"it takes {takes}"


@pytest.mark.parametrize(
    ("body", "line", "column", "found", "want"),
    [
        (b"why", 1, 1, "'why'", "a value"),
        (b'{"why": "x",\n "who": }', 2, 9, "'}'", "a value"),
        (b'{"why" "x"}', 1, 8, "'\"x\"}'", "a colon"),
        (b'{"why": "x"} {}', 1, 14, "'{}'", "nothing after"),
        (b'{"why": "x"', 1, 12, "its end", "a comma"),
        (b'{"why": "x', 1, 9, "'\"x'", "a double quote"),
        (b"{'why': 1}", 1, 2, "''why': 1}'", "a key in double quotes"),
    ],
)
def test_a_body_that_is_no_json_is_told_with_its_place(
    client: TestClient, body: bytes, line: int, column: int, found: str, want: str
) -> None:
    headers = {"If-Match": '"1"', "Content-Type": "application/json"}
    answer = client.post(f"{V1}/lines/1001-1/hold", content=body, headers=headers)
    told = answer.json()
    assert answer.status_code == 422 and told["detail"].startswith("the body is no JSON")
    fault = told["faults"][0]
    assert (fault["where"], fault["field"], fault["found"]) == (f"line {line}", f"column {column}", found)
    assert fault["expected"].startswith(want)


def test_bodies_of_other_kinds_are_told_what_would_be_right(client: TestClient) -> None:
    path = f"{V1}/lines/1001-1/hold"
    for kind, body, found in (
        ("application/json", b"", "nothing"),
        ("application/json", b"[1]", "a list of 1"),
        ("text/plain", b"why", "3 bytes that are not said to be JSON"),
    ):
        answer = client.post(path, content=body, headers={"If-Match": '"1"', "Content-Type": kind})
        assert answer.status_code == 422
        [fault] = answer.json()["faults"]
        assert fault["found"] == found and fault["expected"].startswith("a JSON object with keys of why, sent")
    for body, word in ((b'{"why": "\xff"}', "byte 0xff after 9 bytes"), (b'{"why": ' + b"9" * 5000 + b"}", "digits")):
        answer = client.post(path, content=body, headers={"If-Match": '"1"', "Content-Type": "application/json"})
        assert answer.status_code == 400 and word in answer.json()["detail"]
    deep = b"[" * 200_000
    answer = client.post(path, content=deep, headers={"If-Match": '"1"', "Content-Type": "application/json"})
    assert answer.status_code == 400 and "nested too deep" in answer.json()["detail"]


def test_a_change_names_the_version_it_saw(client: TestClient) -> None:
    line = first_line(client)
    path = f"{V1}/lines/{line['line_id']}"
    got = client.get(path)
    version = got.headers["etag"]
    assert client.post(f"{path}/hold", json={"why": "sample"}).status_code == 428
    assert client.post(f"{path}/hold", json={"why": "sample"}, headers={"If-Match": "x"}).status_code == 400
    held = client.post(f"{path}/hold", json={"why": "sample"}, headers={"If-Match": version})
    assert held.status_code == 200 and held.json()["standing"] == "held" and held.headers["etag"] != version
    stale = client.post(f"{path}/release", headers={"If-Match": version})
    assert stale.status_code == 412 and stale.json()["type"] == "/problems/stale-version"
    again = client.post(f"{path}/hold", json={"why": "sample"}, headers={"If-Match": held.headers["etag"]})
    assert again.status_code == 409
    assert client.post(f"{path}/release", headers={"If-Match": held.headers["etag"]}).json()["standing"] == "open"


def test_pages_follow_the_cursor_and_a_made_up_one_is_not_found(client: TestClient) -> None:
    seen: list[str] = []
    after = None
    while True:
        place = {"after": after} if after else {}
        page = client.get(f"{V1}/lines", params={"limit": 2, "sort": "customer", **place}).json()
        seen += [x["line_id"] for x in page["lines"]]
        after = page["next"]
        if after is None:
            break
    assert len(seen) == len(set(seen)) == page["total"]
    assert client.get(f"{V1}/lines", params={"after": "bm9uZQ"}).status_code == 404


def test_import_shows_faults_then_stores_once(client: TestClient) -> None:
    rows = [{**client.get(f"{V1}/lines").json()["lines"][0]["cells"], "line": "api-1", "quantity": "none"}]
    bad = client.post(f"{V1}/imports", files={"files": ("orders.json", json.dumps(rows))})
    assert bad.status_code == 201 and not bad.json()["storable"]
    assert [f["field"] for f in bad.json()["faults"]] == ["quantity"]
    rows[0]["quantity"] = "2"
    good = client.post(f"{V1}/imports", files={"files": ("orders.json", json.dumps(rows))}).json()
    assert good["new_lines"] == ["api-1"]
    store = f"{V1}/imports/{good['import_id']}/store"
    answers = [client.post(store, headers={"Idempotency-Key": "once"}) for _ in range(2)]
    assert answers[0].status_code == 200 and answers[0].json() == answers[1].json()
    assert client.post(store, headers={"Idempotency-Key": "other"}).status_code == 409


def test_the_export_is_the_folder(client: TestClient, tmp_path: Path) -> None:
    answer = client.get(f"{V1}/export")
    assert answer.headers["content-type"] == "application/zip"
    again = client.post(f"{V1}/imports", files={"files": ("book.zip", answer.content)})
    assert again.json()["network"] == "the same" and again.json()["new_lines"] == []
    raw = client.get(f"{V1}/network")
    assert raw.content == (SMALL / "network.yaml").read_bytes() and raw.headers["etag"] == '"1"'


def test_a_network_with_faults_is_not_saved(client: TestClient) -> None:
    checked = client.post(f"{V1}/network/check", content=b"name: x", headers={"Content-Type": "application/yaml"})
    assert checked.status_code == 200 and len(checked.json()["faults"]) > 3
    saved = client.put(
        f"{V1}/network", content=b"name: x", headers={"Content-Type": "application/yaml", "If-Match": '"1"'}
    )
    assert saved.status_code == 422 and saved.json()["faults"]
    change = {"path": ["sites", "OHIO", "labour_per_h"], "value": "much"}
    assert client.patch(f"{V1}/network", json=change, headers={"If-Match": '"1"'}).status_code == 422
    assert client.get(f"{V1}/network/editions").json()[0]["version"] == 1


def test_plate_files_and_who_may_have_them(client: TestClient, desk: Desk) -> None:
    plan_id = client.get(f"{V1}/plans").json()[0]["plan_id"]
    builds = client.get(f"{V1}/plans/{plan_id}/builds").json()
    vic = client_of(desk, "vic", Role.VIEWER, ("read",))
    refused = 0
    for build in builds:
        path = f"{V1}/plans/{plan_id}/builds/{build['build_id']}/plate"
        for kind, start in (("svg", b"<"), ("3mf", b"PK"), ("dxf", b"  0")):
            answer = client.get(path, params={"kind": kind})
            assert answer.status_code == 200 and answer.content.lstrip().startswith(start.strip()), kind
        refused += vic.get(path).status_code == 403
    shown = json.dumps(vic.get(f"{V1}/plans/{plan_id}/builds").json())
    assert refused >= 1 and "restricted" in shown and "1005-1" not in shown
    assert "1005-1" not in json.dumps(vic.get(f"{V1}/lines").json())


def test_where_a_line_and_a_new_line_would_go(client: TestClient) -> None:
    line = next(x for x in client.get(f"{V1}/lines").json()["lines"] if x["line_id"] != "api-1")
    known = client.get(f"{V1}/lines/{line['line_id']}/where").json()
    assert known["line_id"] == line["line_id"] and len(known["sites"]) == 2
    cells = {k: v for k, v in line["cells"].items() if k != "line"}
    asked = client.post(f"{V1}/where", json={"cells": cells, "quantities": [1, 5]})
    assert asked.status_code == 200, asked.json()
    one, five = asked.json()
    site = next(s["site_id"] for s in one["sites"] if s["possible"])
    cost = [next(s for s in t["sites"] if s["site_id"] == site)["fair_cents"] for t in (one, five)]
    assert 0 < cost[0] < cost[1]
    assert client.post(f"{V1}/where", json={"cells": {**cells, "quantity": "x"}}).status_code == 422


def test_a_question_for_a_new_line_is_told_which_cells_it_wants(client: TestClient) -> None:
    for sent in ({}, {"cells": {"quantity": 4}}, {"cells": [{"quantity": "4"}]}):
        (fault,) = client.post(f"{V1}/where", json=sent).json()["faults"]
        assert "texts by column" in fault["expected"] and "model, alloy, quantity" in fault["expected"], fault
    lacking = client.post(f"{V1}/where", json={"cells": {"model": "ring.stl"}}).json()["faults"]
    assert {(f["where"], f["found"]) for f in lacking} == {("cells", "nothing")}
    assert {"order", "alloy", "quantity", "ship_country", "received", "due"} <= {f["field"] for f in lacking}


def test_a_pin_is_answered_with_what_the_site_says(client: TestClient) -> None:
    found = client.get(f"{V1}/lines/1004-1")
    assert found.json()["pinned"] is None
    seen = {"If-Match": found.headers["ETag"]}
    answer = client.put(f"{V1}/lines/1004-1/pin", json={"site_id": "RHINE"}, headers=seen)
    assert answer.status_code == 200
    told = answer.json()["pinned"]
    assert told == {
        "site_id": "RHINE",
        "can_build": False,
        "why_not": ["R01: not qualified for ti64"],
        "could_build": ["OHIO"],
    }
    assert client.get(f"{V1}/lines/1004-1").json()["pinned"] == told
    seen = {"If-Match": answer.headers["ETag"]}
    answer = client.put(f"{V1}/lines/1004-1/pin", json={"site_id": None}, headers=seen)
    assert answer.status_code == 200 and answer.json()["pinned"] is None


def test_a_withdrawn_line_keeps_its_pin_and_no_site_is_asked(client: TestClient) -> None:
    for path, method, body in (("pin", "PUT", {"site_id": "OHIO"}), ("withdraw", "POST", {"why": "cancelled"})):
        seen = {"If-Match": client.get(f"{V1}/lines/1006-1").headers["ETag"]}
        answer = client.request(method, f"{V1}/lines/1006-1/{path}", json=body, headers=seen)
        assert answer.status_code == 200 and answer.json()["pinned_site"] == "OHIO"
        assert (answer.json()["pinned"] is None) is (path == "withdraw")


def test_a_move_is_tried_kept_and_compared(client: TestClient) -> None:
    plan_id = client.get(f"{V1}/plans").json()[0]["plan_id"]
    builds = client.get(f"{V1}/plans/{plan_id}/builds").json()
    queues: dict[str, list[str]] = {}
    for build in sorted(builds, key=lambda b: b["load_start"]):
        queues.setdefault(build["machine_id"], []).append(build["build_id"])
    machine, queue = max(queues.items(), key=lambda q: len(q[1]))
    assert len(queue) > 1
    move = {"build_id": queue[-1], "machine_id": machine, "after_build_id": None}
    tried = client.post(f"{V1}/plans/{plan_id}/moves/try", json=move).json()
    assert tried["possible"] and tried["findings"] == [] and tried["checks"] > 0
    kept = [client.post(f"{V1}/plans/{plan_id}/moves", json=move, headers={"Idempotency-Key": "m"}) for _ in range(2)]
    assert kept[0].status_code == 201 and kept[0].json() == kept[1].json()
    after = kept[0].json()
    assert after["parent"] == plan_id and after["standing"] == "proposed"
    told = client.get(f"{V1}/plans/{plan_id}/compare/{after['plan_id']}").json()
    assert told["builds"] and all(b["what"] == "moved" for b in told["builds"])
    difference = told["after"]["kpis"]["landed_cents"] - told["before"]["kpis"]["landed_cents"]
    assert difference == tried["difference_cents"]
    nowhere = {**move, "machine_id": "no such machine"}
    assert client.post(f"{V1}/plans/{plan_id}/moves/try", json=nowhere).status_code == 404


def test_a_run_is_streamed_and_stopped_and_keeps_the_best(client: TestClient, desk: Desk) -> None:
    asked = client.post(f"{V1}/runs", json={"seconds": 300, "seed": 3}, headers={"Idempotency-Key": "long"})
    assert asked.status_code == 202
    job_id = asked.json()["job_id"]
    assert (
        client.post(f"{V1}/runs", json={"seconds": 300, "seed": 3}, headers={"Idempotency-Key": "long"}).json()[
            "job_id"
        ]
        == job_id
    )
    worker = threading.Thread(target=Worker(desk).once)
    worker.start()
    kinds = set()
    with client.stream("GET", f"{V1}/runs/{job_id}/stream") as stream:
        assert stream.headers["content-type"].startswith("text/event-stream")
        for text in stream.iter_lines():
            if text.startswith("data: ") and '"incumbent"' in text and "stopped" not in kinds:
                kinds.add("stopped")
                assert client.post(f"{V1}/runs/{job_id}/stop").json()["standing"] == "stopping"
            if text.startswith("event: "):
                kinds.add(text.removeprefix("event: "))
    worker.join(60)
    job = client.get(f"{V1}/runs/{job_id}").json()
    assert job["standing"] == "done" and "stopped by boss" in job["why"], job
    plan = client.get(f"{V1}/plans/{job['result']['plan_id']}").json()
    assert plan["findings"] == 0 and plan["kpis"]["landed_cents"] > 0
    assert {"point", "run", "stopped"} <= kinds


def test_one_line_elsewhere(client: TestClient, desk: Desk) -> None:
    line = next(x for x in client.get(f"{V1}/lines").json()["lines"] if x["line_id"] != "api-1")
    job = client.post(f"{V1}/lines/{line['line_id']}/elsewhere", json={"seconds": 1}).json()
    Worker(desk).once()
    done = client.get(f"{V1}/runs/{job['job_id']}").json()
    assert done["standing"] == "done", done
    sites = {s["site_id"]: s for s in done["result"]["sites"]}
    assert set(sites) == {"", "OHIO", "RHINE"} and sites[""]["difference_cents"] == 0
    for told in sites.values():
        assert (told["plan_id"] is None) == bool(told["reasons"])
        if told["plan_id"]:
            assert client.get(f"{V1}/plans/{told['plan_id']}").json()["kpis"]["landed_cents"] == told["landed_cents"]


def test_feeds(client: TestClient) -> None:
    calendar = icalendar.Calendar.from_ical(client.get(f"{V1}/calendar.ics").content)
    entries = calendar.walk("VEVENT")
    live = next(p for p in client.get(f"{V1}/plans").json() if p["standing"] == "live")
    assert len(entries) == len(client.get(f"{V1}/plans/{live['plan_id']}/builds").json())
    builds = {b["lasting_id"]: b for b in client.get(f"{V1}/plans/{live['plan_id']}/builds").json()}
    for entry in entries:
        build = builds[str(entry["uid"]).split("@")[0]]
        zone = ZoneInfo({"OHIO": "America/New_York", "RHINE": "Europe/Berlin"}[build["site_id"]])
        begin = datetime.fromisoformat(build["load_start"])
        assert entry.decoded("dtstart") == begin
        said = str(entry["description"])
        assert f"{begin.astimezone(zone):%H:%M %Z}, run until" in said and "UTC" not in said
    world = client.get(f"{V1}/network.geojson").json()
    kinds = [f["geometry"]["type"] for f in world["features"]]
    assert kinds.count("Point") == 2 and "LineString" in kinds


def test_people_tokens_and_scopes(client: TestClient, desk: Desk) -> None:
    made = client.post(f"{V1}/people", json={"name": "Oda", "role": "site operator", "sites": ["OHIO"]})
    assert made.status_code == 201 and made.json()["password"]
    assert client.post(f"{V1}/people", json={"name": "oda", "role": "viewer"}).status_code == 409
    person = made.json()["person"]
    changed = client.put(
        f"{V1}/people/{person['person_id']}", json={"role": "viewer", "active": False}, headers={"If-Match": '"1"'}
    )
    assert changed.json()["active"] is False
    reader = client_of(desk, scopes=("read",))
    line = first_line(reader)
    hold = reader.post(f"{V1}/lines/{line['line_id']}/hold", json={"why": "x"}, headers={"If-Match": '"1"'})
    assert hold.status_code == 403 and "scope book" in hold.json()["detail"]
    assert client.post(f"{V1}/tokens", json={"name": "t", "scopes": ["read"]}).status_code == 403


def test_too_much_is_refused_before_it_is_read(desk: Desk) -> None:
    client = client_of(desk)
    answer = client.post(
        f"{V1}/imports",
        content=b"x",
        headers={"Content-Length": str(10**12), "Content-Type": "multipart/form-data; boundary=x"},
    )
    assert answer.status_code == 413 and answer.json()["type"] == "/problems/too-much"
