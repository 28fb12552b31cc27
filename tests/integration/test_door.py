"""At the door: nothing is read for strangers, attempts are counted fairly, what is over is forgotten."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import anyio
import pytest
from api_client import client_of, small_desk
from desk_builder import Clock, an_actor, desk_on
from fastapi.testclient import TestClient
from whole_site import quick_hash, site_of

from router.api.app import create_app
from router.asgi import from_settings
from router.bootstrap import Settings
from router.kernel.faults import FaultyInput, NotSignedIn, TooMuch, TooOften
from router.service.desk import Desk
from router.service.people import change_password, new_token, own_tokens, sign_in, who
from router.service.ports import Receipt
from router.service.records import Actor, Person, Role
from router.service.tidying import tidy
from router.store import SqlStore

GOOD = "wool harbour ninety plum"


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    return small_desk(tmp_path_factory.mktemp("small"))


def asked(desk: Desk, path: str, headers: dict[str, str]) -> tuple[int, int]:
    """Status of a POST, and how often its body was asked for."""
    read = 0
    status = 0

    async def receive() -> dict[str, Any]:
        nonlocal read
        read += 1
        return {"type": "http.request", "body": b"{" + b" " * 1000, "more_body": read < 100}

    async def send(message: Any) -> None:
        nonlocal status
        if message["type"] == "http.response.start":
            status = message["status"]

    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": "POST",
        "scheme": "http",
        "path": path,
        "raw_path": path.encode(),
        "query_string": b"",
        "root_path": "",
        "headers": [(k.lower().encode(), v.encode()) for k, v in headers.items()],
        "client": ("198.51.100.7", 5000),
        "server": ("testserver", 80),
    }
    anyio.run(create_app(desk), scope, receive, send)
    return status, read


@pytest.mark.parametrize("path", ["/api/v1/imports", "/api/v1/runs", "/api/v1/people", "/api/v1/where"])
def test_nothing_is_read_of_a_stranger(small: Desk, path: str) -> None:
    multipart = {"content-type": "multipart/form-data; boundary=x"}
    assert asked(small, path, multipart) == (401, 0)
    assert asked(small, path, multipart | {"authorization": "Bearer made-up"}) == (401, 0)
    assert asked(small, path, multipart | {"cookie": "platewright_session=made-up"}) == (401, 0)


def test_no_upload_is_read_of_somebody_who_may_not_import(small: Desk) -> None:
    vic = str(client_of(small, "vic", Role.VIEWER).headers["authorization"])
    headers = {"content-type": "multipart/form-data; boundary=x", "authorization": vic}
    assert asked(small, "/api/v1/imports", headers) == (403, 0)


def test_only_uploads_may_be_large(small: Desk) -> None:
    client = client_of(small)
    large = "x" * 6_000_000
    assert client.post("/api/v1/runs", json={"seconds": 2, "note": large}).status_code == 413
    assert client.post("/api/v1/imports", files={"files": ("a.txt", large)}).status_code == 201


@pytest.fixture
def clocked(store: SqlStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Desk, Clock]:
    monkeypatch.setattr("router.service.people._MOST_AN_ADDRESS", 4)  # guesses take their time on purpose
    clock = Clock()
    desk = desk_on(store, tmp_path / "cache", clock)
    with desk.store.begin() as work:
        work.people.add(Person(0, "pia", Role.PLANNER), quick_hash(GOOD))
    return desk, clock


def test_good_sign_ins_of_one_address_do_not_count_against_it(clocked: tuple[Desk, Clock]) -> None:
    desk, _ = clocked
    for _ in range(8):
        sign_in(desk, "pia", GOOD, "192.0.2.1")


def test_a_good_sign_in_does_not_wipe_out_the_failures_of_its_address(clocked: tuple[Desk, Clock]) -> None:
    desk, _ = clocked
    for n in range(4):
        with pytest.raises(NotSignedIn):
            sign_in(desk, f"guess {n}", "wrong", "192.0.2.1")
        if n < 2:
            sign_in(desk, "pia", GOOD, "192.0.2.1")
    with pytest.raises(TooMuch):
        sign_in(desk, "pia", GOOD, "192.0.2.1")


def test_who_failed_too_often_is_told_how_long_to_wait_and_no_longer(clocked: tuple[Desk, Clock]) -> None:
    desk, clock = clocked
    for n in range(4):
        with pytest.raises(NotSignedIn):
            sign_in(desk, f"guess {n}", "wrong", "192.0.2.1")
        clock.pass_s(200)
    with pytest.raises(TooOften, match="wait 2 minutes") as refused:
        sign_in(desk, "pia", GOOD, "192.0.2.1")
    assert refused.value.wait_s == 101, "the first failure counts for 100 seconds more"
    clock.pass_s(100)
    with pytest.raises(TooOften):
        sign_in(desk, "pia", GOOD, "192.0.2.1")
    clock.pass_s(1)
    sign_in(desk, "pia", GOOD, "192.0.2.1")


def test_what_is_over_is_forgotten_and_what_counts_is_kept(clocked: tuple[Desk, Clock]) -> None:
    desk, clock = clocked
    pia = an_actor(desk, "pia", Role.PLANNER)
    _, old = sign_in(desk, "pia", GOOD, "192.0.2.1")
    new_token(desk, pia, "short", ["read"], 1)
    new_token(desk, pia, "long", ["read"], 300)
    with pytest.raises(NotSignedIn):
        sign_in(desk, "pia", "wrong", "192.0.2.1")
    with desk.store.begin() as work:
        work.receipts.add(Receipt("k", "pia", "0" * 64, {}, clock.now))
        work.previews.put("0" * 32, "pia", clock.now, b"x")
    assert not any(tidy(desk).values())
    clock.now += timedelta(days=8)
    _, fresh = sign_in(desk, "pia", GOOD, "192.0.2.1")
    assert tidy(desk) == {"attempts": 1, "secrets": 2, "receipts": 1, "previews": 1}
    assert [t.name for t in own_tokens(desk, pia)] == ["long"] and who(desk, fresh, "session").name == "pia"
    with pytest.raises(NotSignedIn):
        who(desk, old, "session")


def test_an_expected_password_is_refused_and_the_old_one_stays(clocked: tuple[Desk, Clock]) -> None:
    desk, _ = clocked
    person, _ = sign_in(desk, "pia", GOOD, "192.0.2.1")
    for expected in ("a" * 16, "pia pia pia pia pia", "passwordpassword"):
        with pytest.raises(FaultyInput, match="less expected"):
            change_password(desk, Actor(person), GOOD, expected)
    assert sign_in(desk, "pia", GOOD, "192.0.2.1")


def test_a_method_nobody_knows_makes_no_figure_of_its_own(small: Desk) -> None:
    client = client_of(small)
    for word in ("BREW", "WHEN", "GET"):
        client.request(word, "/api/v1/lines")
    figures = client.get("/metrics").text
    assert 'method="other"' in figures and 'method="GET"' in figures
    assert "BREW" not in figures and "WHEN" not in figures


@pytest.mark.parametrize("path", ["/sign-in", "/api/v1/lines/query"])
def test_what_is_too_long_in_pieces_is_said_to_be_too_long(tmp_path: Path, path: str) -> None:
    site = site_of(small_desk(tmp_path))

    def pieces() -> Iterator[bytes]:
        for n in range(60):
            yield f"field{n}=".encode() + b"x" * 100_000 + b"&"

    answer = site.post(path, content=pieces(), headers={"Content-Type": "application/x-www-form-urlencoded"})
    known = {"/sign-in": 413, "/api/v1/lines/query": 401}  # strangers are not read at all
    assert answer.status_code == known[path], answer.text[:300]


def test_figures_are_free_to_this_machine_and_not_through_a_proxy_on_it(small: Desk) -> None:
    site = site_of(small)
    assert site.get("/metrics").status_code == 200
    for header in ("X-Forwarded-For", "Forwarded", "X-Real-IP", "Via"):
        assert site.get("/metrics", headers={header: "203.0.113.9"}).status_code == 401, header


def test_behind_https_cookies_are_for_https_whatever_the_proxy_says(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    settings = Settings("", desk.cache_dir, worker=False, behind_https=True)
    cookie = TestClient(from_settings(desk, settings)).get("/sign-in").headers["set-cookie"]
    assert "Secure" in cookie
    assert "Secure" not in site_of(desk).get("/sign-in").headers["set-cookie"]
