"""Pages asked with what no browser sends: an answer of words, never a fault of ours, on each kind of database."""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from api_client import client_of, planned_desk
from desk_builder import an_actor, desk_on, with_small_book
from fastapi.testclient import TestClient
from whole_site import PASSWORD, quick_hash, signed_in, site_of, token_on

from router.service.desk import Desk
from router.service.people import SESSION_COOKIE, form_word
from router.service.ports import StoreAway
from router.service.records import Person, Role
from router.store import SqlStore

HUGE = (str(2**31), str(2**63), "9" * 40, "-1")


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
        ]
        for path, sent in posts:
            answer = client.post(path, data={**sent, "token": word})
            assert answer.status_code in (404, 422), (path, answer.text[:300])
    client = site_of(peopled)
    sent = {"token": token_on(client.get("/sign-in").text), "name": "a\x00b", "password": "x"}
    assert client.post("/sign-in", data=sent).status_code == 422


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
