"""Pages asked with what no browser sends: an answer of words, never a fault of ours, on each kind of database."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from api_client import client_of, planned_desk, put_together
from desk_builder import SMALL, an_actor, desk_on, with_small_book
from fastapi.testclient import TestClient
from marked_book import QUESTION
from whole_site import PASSWORD, quick_hash, signed_in, site_of, token_on

from router.api.app import create_app
from router.service.desk import Desk
from router.service.people import SESSION_COOKIE, form_word
from router.service.ports import StoreAway
from router.service.records import Person, Role
from router.store import SqlStore

HUGE = (str(2**31), str(2**63), "9" * 40, "-1")
LONG = "9" * 5_000
"""More digits than the language reads as a whole number."""
TRIAL = {"covers": "20", "slack_days": "9", "at_most_days": "3", "months": "1", "replications": "2", "seed": "1"}
COMPARED = {"what_if": "1", "months": "1", "replications": "2", "seed": "1", "near_km": "500", "beside": "0"}
FIELD = {"version": "1", "site": "OHIO", "machine": "M01"}


def forged(*parts: str) -> str:
    """A cursor as the lists make them."""
    return base64.urlsafe_b64encode(json.dumps(parts).encode()).decode().rstrip("=")


def add_adm(desk: Desk) -> None:
    with desk.store.begin() as work:
        work.people.add(Person(0, "adm", Role.ADMINISTRATOR, frozenset(), frozenset({"ITAR"})), quick_hash(PASSWORD))


@pytest.fixture
def peopled(store: SqlStore, tmp_path: Path) -> Desk:
    desk = desk_on(store, tmp_path / "cache")
    with_small_book(desk, an_actor(desk, "boss", Role.ADMINISTRATOR, codes=("ITAR",)))
    add_adm(desk)
    return desk


def test_numbers_nul_and_forged_cursors_are_refused_in_words(peopled: Desk) -> None:
    gets = [f"/trail?before={n}" for n in HUGE] + [f"/plans?before={n}" for n in HUGE]
    for n in HUGE:
        gets += [f"/plans/{n}", f"/network/editions/{n}", f"/plates?plan={n}", f"/schedule?plan={n}"]
        gets += [f"/compare?before={n}&after={n}", f"/what-if/{n}", f"/what-if/difference?one={n}&other={n}"]
        gets += [f"/plates/x/file.svg?plan={n}", f"/plates/x?plan={n}"]
    gets += ["/orders?text=%00", "/orders/%00", "/runs/%00", "/orders?site=a%00b", "/plates/%00?plan=1"]
    for sort, value in (
        ("received_at", "2027-01-01"),
        ("received_at", "0001-01-01T00:00:00+14:00"),
        ("received_at", "9999-12-31T23:00:00-14:00"),
        ("quantity", "9" * 30),
        ("quantity", "9" * 5000),
        ("due_date", "soon"),
        ("customer", "a\x00b"),
        ("customer", "\ud800"),
    ):
        gets.append(f"/orders?sort={sort}&after={forged(value, 'x')}")
        gets.append(f"/api/v1/lines?sort={sort}&after={forged(value, 'x')}")
    with signed_in(peopled, "adm") as client:
        for path in gets:
            assert client.get(path).status_code in (404, 422), (path, client.get(path).text[:300])
        word = form_word(client.cookies[SESSION_COOKIE])
        posts: list[tuple[str, dict[str, str]]] = [
            ("/orders/1001-1/hold", {"why": "a\x00b", "version": "1"}),
            ("/orders/1001-1/withdraw", {"why": "a\x00b", "version": "1"}),
            ("/tokens", {"name": "a\x00b", "days": "5", "scopes": "read"}),
            ("/runs/new", {"seconds": "1", "seed": "1", "workers": "1", "note": "a\x00b"}),
            *((f"/people/{n}", {"role": "viewer", "version": "1"}) for n in HUGE),
            *((f"/people/{n}/password", {}) for n in HUGE),
            *((f"/floor/events/{n}/withdraw", {"why": "x"}) for n in HUGE),
            *((f"/plates/x/events/{n}/withdraw", {"why": "x"}) for n in HUGE),
            ("/plans/1/burn", {"version": "1"}),
            ("/orders/1001-1/hold", {"why": "late", "version": LONG}),
            ("/runs/new", {"seconds": LONG, "seed": "1", "workers": "1"}),
            *(("/what-if/hold", {**TRIAL, name: LONG}) for name in TRIAL),
            ("/what-if/hold", {**TRIAL, "covers": f"20 {LONG}"}),
            ("/what-if/compare", {**COMPARED, "months": LONG}),
            ("/what-if/compare", {**COMPARED, "what_if": LONG}),
            ("/what-if/site", {"do": "ask", "text": QUESTION, "sites": LONG, "seconds": "5", "seed": "0"}),
            ("/what-if/site", {"do": "ask", "text": QUESTION, "sites": "1", "seconds": "5", "seed": LONG}),
            *(("/network/field", {**FIELD, "field": "setup_min", "value": n}) for n in (LONG, "9" * 400, "1.5", "-1")),
            *(("/network/field", {**FIELD, "field": "rate_per_h", "value": n}) for n in (LONG, "nan", "inf", "-inf")),
        ]
        for path, sent in posts:
            answer = client.post(path, data={**sent, "token": word})
            assert answer.status_code in (404, 422), (path, answer.text[:300])
    client = site_of(peopled)
    assert client.get("/sign-in", headers={"Content-Length": LONG}).status_code == 413
    sent = {"token": token_on(client.get("/sign-in").text), "name": "a\x00b", "password": "x"}
    assert client.post("/sign-in", data=sent).status_code == 422


def test_texts_no_database_takes_are_refused_wherever_they_stand(peopled: Desk) -> None:
    api = client_of(peopled)
    document = put_together(peopled, create_app).openapi()
    paths = [p for p, told in document["paths"].items() if "get" in told and not p.endswith("stream")]
    for path in paths:
        asked = re.sub(r"{[^}]*}", "a%00b", path) if "{" in path else f"{path}?text=a%00b&subject=%00&site=%00&a%00=1"
        answer = api.get(asked)
        assert answer.status_code == 422, (asked, answer.text[:300])
        assert answer.headers["content-type"] == "application/problem+json"
    for query in ("trail?subject=a%00b", "lines?text=a%00b", "calendar.ics?site=a%00b", "lines?after=a%00b"):
        [fault] = api.get(f"/api/v1/{query}").json()["faults"]
        assert "NUL" in fault["found"] or "x00" in fault["found"], fault
    seen = {"If-Match": '"1"', "Content-Type": "application/json"}
    at = "2027-03-01T06:00:00Z"
    for bad in ("a\x00b", "\ud800", "x\udfff"):
        for method, path, body in (
            ("PATCH", "lines/1001-1", {"cells": {"customer": bad}}),
            ("POST", "lines/1001-1/hold", {"why": bad}),
            ("PATCH", "network", {"path": ["sites", "OHIO", "name"], "value": bad}),
            ("PATCH", "network", {"path": ["sites", "OHIO", bad], "value": {"a": [bad]}}),
            ("POST", "events", {"kind": "machine down", "subject": bad, "occurred_at": at}),
            ("POST", "events", {"kind": "machine down", "subject": "M01", "occurred_at": at, "details": {"note": bad}}),
            ("POST", "events/1/withdraw", {"why": bad}),
            ("POST", "people", {"name": bad, "role": "viewer"}),
            ("POST", "people", {"name": "x", "role": "viewer", "cleared_codes": [bad]}),
            ("POST", "tokens", {"name": bad, "scopes": ["read"]}),
            ("POST", "runs", {"seconds": 1, "note": bad}),
            ("POST", "where", {"cells": {"line": bad, bad: "x"}}),
            ("POST", "what-ifs", {"file": bad, "text": bad}),
            ("POST", "site-choices", {"text": bad}),
            ("POST", "plans/1/moves/try", {"build_id": bad, "machine_id": "M01", "after_build_id": bad}),
        ):
            for encoded in (
                json.dumps(body).encode(),
                json.dumps(body, ensure_ascii=False).encode("utf-8", "surrogatepass"),
            ):
                answer = api.request(method, f"/api/v1/{path}", content=encoded, headers=seen)
                assert answer.status_code == 422, (path, bad, answer.text[:300])
    form = b'--b\r\nContent-Disposition: form-data; name="files"; filename="a\x00.json"\r\n\r\n[]\r\n--b--\r\n'
    answer = api.post("/api/v1/imports", content=form, headers={"Content-Type": "multipart/form-data; boundary=b"})
    assert answer.status_code == 422 and "NUL" in answer.text, answer.text


def test_days_far_off_and_none_are_refused_in_words(planned: Path, tmp_path: Path) -> None:
    desk = planned_desk(planned, tmp_path)
    add_adm(desk)
    with signed_in(desk, "adm") as client:
        assert client.get("/schedule?from=2999-12-31&days=60").status_code == 200
        assert client.get("/schedule?from=1900-01-01&days=60").status_code == 200
        for day in ("0001-01-01", "9999-12-31", "nodate"):
            assert client.get(f"/schedule?from={day}").status_code == 422, day
            sent = {"plan": "1", "build": "B1", "machine": "M01", "from": day, "days": "7"}
            answer = client.post("/schedule/try", data={**sent, "token": form_word(client.cookies[SESSION_COOKIE])})
            assert answer.status_code == 422 and "a day from" in answer.text, day


def test_a_database_that_is_away_is_said_to_be(peopled: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    api = client_of(peopled)

    @contextmanager
    def away(_: SqlStore) -> Iterator[None]:
        raise StoreAway("no answer")
        yield

    with signed_in(peopled, "adm") as client:
        monkeypatch.setattr(SqlStore, "look", away)
        monkeypatch.setattr(SqlStore, "begin", away)
        page = client.get("/orders")
        assert page.status_code == 503 and "does not answer" in page.text
        for answer in (api.get("/api/v1/lines"), api.post("/api/v1/lines/1001-1/hold", json={"why": "x"})):
            assert answer.status_code == 503 and answer.headers["content-type"] == "application/problem+json"


def test_what_the_api_cannot_read_is_said_as_such(peopled: Desk) -> None:
    api = client_of(peopled)
    assert isinstance(api, TestClient)
    wrong = api.post("/api/v1/lines/1001-1/hold", json={"why": "x"}, headers={"If-Match": "abc"})
    assert wrong.status_code == 400 and wrong.json()["type"] == "/problems/request"
    one = api.post("/api/v1/lines/1001-1/hold", json={}, headers={"If-Match": '"1"'})
    assert one.status_code == 422 and one.json()["detail"] == "1 fault"
    deep: object = 1
    for _ in range(400):
        deep = [deep]
    field = {"path": ["sites", "OHIO", "labour_per_h"], "value": deep}
    nested = api.patch("/api/v1/network", json=field, headers={"If-Match": '"1"'})
    assert nested.status_code in (400, 422) and "deep" in nested.text, nested.text
    some = {**field, "value": [[[[[[[1]]]]]]]}
    unfit = api.patch("/api/v1/network", json=some, headers={"If-Match": '"1"'})
    assert unfit.status_code == 422 and "labour_per_h" in unfit.text
    for moment in ("0001-01-01T00:00:00+14:00", "9999-12-31T23:00:00-14:00"):
        assert api.get("/api/v1/runs", params={"before": moment}).status_code == 422
        event = {"kind": "machine_down", "occurred_at": moment, "machine_id": "R01"}
        told = api.post("/api/v1/events", json=event)
        assert told.status_code == 422 and "occurred_at" in told.text and "calendar" in told.text


@pytest.mark.parametrize("first_is_sound", [True, False])
def test_two_files_of_one_name_are_said_to_be_two(peopled: Desk, first_is_sound: bool) -> None:
    sound = (SMALL / "models" / "ring.stl").read_bytes()
    sent = [sound, b"no model"] if first_is_sound else [b"no model", sound]
    files = [("files", ("new.stl", content)) for content in sent]
    preview = client_of(peopled).post("/api/v1/imports", files=files).json()
    assert not preview["storable"]
    assert any(f["found"] == "sent a second time" for f in preview["faults"])
    with signed_in(peopled, "adm") as client:
        word = form_word(client.cookies[SESSION_COOKIE])
        answer = client.post("/orders/import", data={"token": word}, files=files)
        assert answer.status_code == 422 and "sent a second time" in answer.text
