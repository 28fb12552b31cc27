"""The whole application with people who can sign in, over the small scenario with a live plan."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from anyio.from_thread import start_blocking_portal
from api_client import put_together, small_desk, with_live_plan
from argon2 import PasswordHasher
from fastapi import FastAPI
from fastapi.testclient import TestClient

from router.asgi import from_settings
from router.bootstrap import Settings
from router.service.desk import Desk
from router.service.records import Person, Role

PASSWORD = "an invented password"
PEOPLE = {
    "pia": (Role.PLANNER, (), ("ITAR",)),
    "vic": (Role.VIEWER, (), ()),
    "oda": (Role.SITE_OPERATOR, ("OHIO",), ("ITAR",)),
    "adm": (Role.ADMINISTRATOR, (), ("ITAR",)),
}


def quick_hash(password: str) -> str:
    """A hash that is quick to check: tests sign in often."""
    return PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash(password)


def peopled_desk(folder: Path, plan: bool = True) -> Desk:
    """A desk with everybody of PEOPLE, all with the same password."""
    desk = small_desk(folder)
    hashed = quick_hash(PASSWORD)
    with desk.store.begin() as work:
        for name, (role, sites, codes) in PEOPLE.items():
            work.people.add(Person(0, name, role, frozenset(sites), frozenset(codes)), hashed)
    if plan:
        with_live_plan(desk)
    return desk


def site_of(desk: Desk) -> TestClient:
    """The application, without a worker, nobody signed in."""
    return TestClient(put_together(desk, _whole), raise_server_exceptions=False, follow_redirects=False)


def _whole(desk: Desk) -> FastAPI:
    return from_settings(desk, Settings("", desk.cache_dir, worker=False))


def token_on(text: str) -> str:
    """The form token of a page."""
    found = re.search(r'name="token" value="([0-9a-f]+)"', text)
    assert found is not None, text[:500]
    return found[1]


@contextmanager
def signed_in(desk: Desk, name: str) -> Iterator[TestClient]:
    """The application with somebody signed in."""
    client = site_of(desk)
    # One event loop for all requests, as a server has it, rather than one each; without what begins with a server.
    with start_blocking_portal() as client.portal:
        form = client.get("/sign-in")
        sent = {"token": token_on(form.text), "name": name, "password": PASSWORD, "next": "/"}
        answer = client.post("/sign-in", data=sent)
        assert answer.status_code == 303, answer.text[:300]
        yield client
