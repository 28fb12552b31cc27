"""A client of the API over the small scenario, with everything one can do in its book."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable, Mapping
from functools import cache
from itertools import permutations
from pathlib import Path
from tempfile import TemporaryDirectory

from desk_builder import an_actor, desk_on, with_small_book
from fastapi import FastAPI
from fastapi.testclient import TestClient

from router.api.app import create_app
from router.service.desk import Desk
from router.service.jobs import ask_plan, get_job
from router.service.moves import try_line_move
from router.service.people import new_token
from router.service.plans import accept, live_in_full
from router.service.records import Role
from router.store import open_store
from router.worker import Worker

ALL = ("read", "book", "plan", "floor", "admin")


def small_desk(folder: Path, codes: tuple[str, ...] = ("ITAR",)) -> Desk:
    """A desk on SQLite with the small book in it, a copy of one made before."""
    for name, content in _small_book(codes).items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
    return desk_on(open_store(f"sqlite:///{folder / 'book.db'}"), folder / "cache")


@cache
def _small_book(codes: tuple[str, ...]) -> Mapping[str, bytes]:
    """Database and remembered files of such a desk, by name."""
    with TemporaryDirectory() as made:
        folder = Path(made)
        store = open_store(f"sqlite:///{folder / 'book.db'}")
        desk = desk_on(store, folder / "cache")
        with_small_book(desk, an_actor(desk, "boss", Role.ADMINISTRATOR, codes=codes))
        store.close()
        return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def with_live_plan(desk: Desk, seed: int = 1) -> int:
    """Plan the book and accept the plan."""
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job = ask_plan(desk, boss, seconds=2, seed=seed)
    assert Worker(desk).once()
    plan_id = int(get_job(desk, boss, job.job_id).result["plan_id"])
    accept(desk, boss, plan_id, 1)
    return plan_id


def a_free_move(desk: Desk) -> tuple[str, str, str] | None:
    """A line of the live plan, the build it is on, and one it can go onto; None where no line can."""
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    live = live_in_full(desk)
    builds = sorted(live.result.plan.builds, key=lambda b: (b.load_start, b.build_id))
    for build, other in permutations(builds, 2):
        if other.parameter_set_id == build.parameter_set_id:
            for share in build.shares:
                found = share.line_id, build.build_id, other.build_id
                if try_line_move(desk, boss, live.head.plan_id, *found).possible:
                    return found
    return None


def planned_desk(planned: Path, folder: Path) -> Desk:
    """A copy of the book with a live plan that the fixture ``planned`` made."""
    shutil.copy(planned / "book.db", folder / "book.db")
    return desk_on(open_store(f"sqlite:///{folder / 'book.db'}"), planned / "cache")


def put_together(desk: Desk, make: Callable[[Desk], FastAPI]) -> FastAPI:
    """An application on a desk, put together once: that takes as long as dozens of requests.

    Desks made of others remember together, so each is named.
    """
    made: FastAPI = desk.parts.get(("application", make.__qualname__, id(desk)), lambda: make(desk))
    assert made.state.desk is desk
    return made


def client_of(
    desk: Desk, name: str = "boss", role: Role = Role.ADMINISTRATOR, scopes: Iterable[str] = ALL
) -> TestClient:
    """A client with a token of somebody."""
    _, text = new_token(desk, an_actor(desk, name, role), "test", scopes, 5)
    return TestClient(
        put_together(desk, create_app), headers={"Authorization": f"Bearer {text}"}, raise_server_exceptions=False
    )
