"""The store on SQLite or PostgreSQL: engines, transactions, and the repositories of one transaction."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cached_property
from typing import Any

import sqlalchemy as sa
from sqlalchemy.pool import QueuePool

from router.kernel.faults import Conflict, PlatewrightError
from router.service.ports import StoreAway
from router.store.book_rows import EventRows, LineRows, ModelRows, NetworkRows, PreviewRows, ReceiptRows
from router.store.job_rows import JobRows
from router.store.people_rows import PeopleRows
from router.store.pin_rows import PinRows
from router.store.plan_rows import PlanRows
from router.store.trail_rows import RevisionRows, TrailRows
from router.store.what_if_rows import WhatIfRows

_UNIQUE_VIOLATION = "23505"
"""SQLSTATE of PostgreSQL."""
_NOT_UNIQUE = (sqlite3.SQLITE_CONSTRAINT_UNIQUE, sqlite3.SQLITE_CONSTRAINT_PRIMARYKEY, sqlite3.SQLITE_CONSTRAINT_ROWID)
_BUSY_MS = 20_000
"""How long a writer waits for another writer on SQLite."""


class StoreOut(PlatewrightError):
    """The database cannot be used as it is."""


class SqlWork:
    """One transaction and its repositories."""

    def __init__(self, connection: sa.Connection) -> None:
        self._connection = connection

    @cached_property
    def lines(self) -> LineRows:
        return LineRows(self._connection)

    @cached_property
    def models(self) -> ModelRows:
        return ModelRows(self._connection)

    @cached_property
    def networks(self) -> NetworkRows:
        return NetworkRows(self._connection)

    @cached_property
    def plans(self) -> PlanRows:
        return PlanRows(self._connection)

    @cached_property
    def pins(self) -> PinRows:
        return PinRows(self._connection)

    @cached_property
    def what_ifs(self) -> WhatIfRows:
        return WhatIfRows(self._connection)

    @cached_property
    def events(self) -> EventRows:
        return EventRows(self._connection)

    @cached_property
    def trail(self) -> TrailRows:
        return TrailRows(self._connection)

    @cached_property
    def revision(self) -> RevisionRows:
        return RevisionRows(self._connection)

    @cached_property
    def receipts(self) -> ReceiptRows:
        return ReceiptRows(self._connection)

    @cached_property
    def previews(self) -> PreviewRows:
        return PreviewRows(self._connection)

    @cached_property
    def jobs(self) -> JobRows:
        return JobRows(self._connection)

    @cached_property
    def people(self) -> PeopleRows:
        return PeopleRows(self._connection)


class SqlStore:
    """See service.ports.Store."""

    def __init__(self, engine: sa.Engine) -> None:
        self.engine = engine

    @contextmanager
    def look(self) -> Iterator[SqlWork]:
        with self._transaction(write=False) as connection:
            yield SqlWork(connection)

    @contextmanager
    def begin(self) -> Iterator[SqlWork]:
        try:
            with self._transaction(write=True) as connection:
                yield SqlWork(connection)
        except sa.exc.IntegrityError as clash:
            if not _is_taken(clash):
                raise  # a row that cannot be, whatever others do: a fault of ours
            # Two requests wrote the same name at the same moment; the second one is told, nothing of it is kept.
            raise Conflict("somebody else has just saved the same; look again") from clash

    def ready(self) -> bool:
        try:
            with self.look() as work:
                work.revision.now()
        except (sa.exc.SQLAlchemyError, StoreAway):
            return False
        return True

    def close(self) -> None:
        self.engine.dispose()

    @contextmanager
    def _transaction(self, write: bool) -> Iterator[sa.Connection]:
        try:
            with self._begun(write) as connection:
                yield connection
        except (sa.exc.OperationalError, sa.exc.InterfaceError, sa.exc.TimeoutError) as away:
            raise StoreAway(f"{type(away).__name__}: {getattr(away, 'orig', None) or away}") from away
        except sa.exc.DBAPIError as wrong:
            if wrong.connection_invalidated:
                raise StoreAway(f"the connection was lost: {wrong.orig}") from wrong
            raise

    @contextmanager
    def _begun(self, write: bool) -> Iterator[sa.Connection]:
        with self.engine.connect() as connection:
            connection = connection.execution_options(writes=write)
            if not write and self.engine.dialect.name == "postgresql":
                # Of itself PostgreSQL lets each statement see what was committed before it, not before the first one.
                connection = connection.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
            with connection.begin():
                yield connection


def _is_taken(clash: sa.exc.IntegrityError) -> bool:
    """Whether what was written has to be there once only, and somebody else has just written it."""
    return getattr(clash.orig, "sqlstate", None) == _UNIQUE_VIOLATION or (
        getattr(clash.orig, "sqlite_errorcode", None) in _NOT_UNIQUE
    )


def make_engine(url: str) -> sa.Engine:
    """An engine for a database URL (``sqlite:///file`` or ``postgresql://...``). Raises StoreOut for another kind."""
    try:
        parsed = sa.make_url(url)
    except sa.exc.ArgumentError as wrong:
        raise StoreOut(f"database {url!r}: expected sqlite:///FILE or postgresql://USER@HOST/NAME") from wrong
    if parsed.get_backend_name() == "sqlite":
        # A connection is used by one thread at a time, not always by the same one.
        engine = sa.create_engine(
            parsed, poolclass=QueuePool, pool_size=12, max_overflow=40, connect_args={"check_same_thread": False}
        )
        sa.event.listen(engine, "connect", _prepare_sqlite)
        sa.event.listen(engine, "begin", _begin_sqlite)
        return engine
    if parsed.get_backend_name() == "postgresql":
        return sa.create_engine(
            parsed.set(drivername="postgresql+psycopg"),
            pool_size=10,
            max_overflow=30,
            pool_pre_ping=True,
            isolation_level="READ COMMITTED",
        )
    raise StoreOut(f"database kind {parsed.get_backend_name()!r}: expected sqlite or postgresql")


def _prepare_sqlite(connection: Any, _: object) -> None:
    connection.isolation_level = None  # transactions are begun below, not by the driver
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout={_BUSY_MS}")
    cursor.execute("PRAGMA journal_mode=WAL")
    cursor.execute("PRAGMA synchronous=FULL")
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.close()


def _begin_sqlite(connection: sa.Connection) -> None:
    # A writer takes its place in the queue at once: a reader that turns writer could only fail.
    writes = connection.get_execution_options().get("writes", True)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
