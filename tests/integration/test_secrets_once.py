"""Requests whose answers hold secrets are done once by key; no secret is kept to be told again."""

from __future__ import annotations

import json
from typing import Any

import pytest
import sqlalchemy as sa
from api_client import client_of, small_desk
from fastapi.testclient import TestClient
from whole_site import quick_hash, site_of, token_on

from router.service.desk import Desk
from router.service.people import form_word
from router.service.records import Person, Role
from router.store import SqlStore
from router.store.tables import receipts

V1 = "/api/v1"
PASSWORD = "an invented password"


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    return small_desk(tmp_path_factory.mktemp("once"))


@pytest.fixture
def client(desk: Desk) -> TestClient:
    return client_of(desk)


def kept(desk: Desk) -> str:
    assert isinstance(desk.store, SqlStore)
    with desk.store.engine.connect() as connection:
        return json.dumps([dict(row) for row in connection.execute(sa.select(receipts)).mappings()], default=str)


def again_told(answer: Any) -> dict[str, Any]:
    assert answer.status_code == 409, answer.text
    problem = answer.json()
    assert problem["type"] == "/problems/already-made"
    made: dict[str, Any] = problem["made"]
    return made


def test_a_person_is_added_once_and_the_password_told_once(client: TestClient, desk: Desk) -> None:
    body, key = {"name": "Ida", "role": "viewer"}, {"Idempotency-Key": "ida"}
    first = client.post(f"{V1}/people", json=body, headers=key)
    assert first.status_code == 201
    again = client.post(f"{V1}/people", json=body, headers=key)
    person = first.json()["person"]
    assert again_told(again) == {"person_id": person["person_id"], "name": "Ida", "role": "viewer"}
    password = first.json()["password"]
    assert password not in again.text and password not in kept(desk)
    other = client.post(f"{V1}/people", json={**body, "name": "Ada"}, headers=key)
    assert other.status_code == 409 and "another request" in other.json()["detail"] and "made" not in other.json()
    assert [p["name"] for p in client.get(f"{V1}/people").json()].count("Ida") == 1


def test_a_password_is_reset_once(client: TestClient, desk: Desk) -> None:
    person = client.post(f"{V1}/people", json={"name": "Eva", "role": "viewer"}).json()["person"]
    address, key = f"{V1}/people/{person['person_id']}/reset-password", {"Idempotency-Key": "eva"}
    first = client.post(address, headers=key)
    assert first.status_code == 200
    version = first.json()["person"]["version"]
    assert again_told(client.post(address, headers=key))["name"] == "Eva"
    now = next(p for p in client.get(f"{V1}/people").json() if p["name"] == "Eva")
    assert now["version"] == version and first.json()["password"] not in kept(desk)


def test_a_token_is_made_once(desk: Desk) -> None:
    with desk.store.begin() as work:
        work.people.add(Person(0, "pia", Role.PLANNER), quick_hash(PASSWORD))
    client = site_of(desk)
    sent = {"token": token_on(client.get("/sign-in").text), "name": "pia", "password": PASSWORD, "next": "/"}
    assert client.post("/sign-in", data=sent).status_code == 303
    headers = {"Idempotency-Key": "t", "X-CSRF-Token": form_word(client.cookies["platewright_session"])}
    body = {"name": "nightly", "scopes": ["read"], "days": 3}
    first = client.post(f"{V1}/tokens", json=body, headers=headers)
    assert first.status_code == 201, first.text
    made = again_told(client.post(f"{V1}/tokens", json=body, headers=headers))
    assert made["sha256"] == first.json()["token"]["sha256"] and made["name"] == "nightly"
    assert first.json()["text"] not in kept(desk) and len(client.get(f"{V1}/tokens").json()) == 1
