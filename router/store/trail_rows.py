"""The audit trail and the revision of the book."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from router.service.records import TrailRecord
from router.store.rows import Rows
from router.store.tables import counters, trail

_BOOK = "book_revision"


class TrailRows(Rows):
    """See service.ports.Trail."""

    def add(self, at: datetime, by: str, operation: str, subject: str, details: Mapping[str, Any]) -> None:
        self._connection.execute(
            trail.insert().values(at=at, by=by, operation=operation, subject=subject, details=dict(details))
        )

    def page(self, before: int | None, limit: int, subject: str = "") -> list[TrailRecord]:
        query = sa.select(trail).order_by(trail.c.trail_id.desc()).limit(limit)
        if before is not None:
            query = query.where(trail.c.trail_id < before)
        if subject:
            query = query.where(trail.c.subject == subject)
        return [TrailRecord(**row) for row in self._many(query)]

    def book_changes(self, since: int, before: int | None, limit: int) -> list[TrailRecord]:
        revision = trail.c.details["revision"].as_integer()
        # One entry a revision, and they go up: what is older than the newest one known is not looked at.
        known = sa.select(trail.c.trail_id).where(revision <= since).order_by(trail.c.trail_id.desc()).limit(1)
        after = sa.func.coalesce(known.scalar_subquery(), 0)
        query = sa.select(trail).where(revision > since, trail.c.trail_id > after).order_by(trail.c.trail_id.desc())
        if before is not None:
            query = query.where(trail.c.trail_id < before)
        return [TrailRecord(**row) for row in self._many(query.limit(limit))]


class RevisionRows(Rows):
    """See service.ports.Revision."""

    def hold(self) -> None:
        # An update of a row to what it is: PostgreSQL locks it; SQLite has one writer at a time anyway.
        same = counters.update().where(counters.c.name == _BOOK).values(value=counters.c.value)
        self._connection.execute(same)

    def now(self) -> int:
        row = self._one(sa.select(counters.c.value).where(counters.c.name == _BOOK))
        return int(row["value"]) if row else 0

    def raise_it(self) -> int:
        done = self._connection.execute(
            counters.update().where(counters.c.name == _BOOK).values(value=counters.c.value + 1)
        )
        if done.rowcount == 0:
            self._connection.execute(counters.insert().values(name=_BOOK, value=1))
        return self.now()
