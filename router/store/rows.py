"""What all repositories share: a connection, and the check of versions."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from router.kernel.faults import NotFound, Stale


class Rows:
    """Repositories of one transaction."""

    def __init__(self, connection: sa.Connection) -> None:
        self._connection = connection

    @property
    def _on_postgres(self) -> bool:
        return self._connection.dialect.name == "postgresql"

    def _one(self, query: sa.Select[Any]) -> Any:
        return self._connection.execute(query).mappings().first()

    def _many(self, query: sa.Select[Any]) -> list[Any]:
        return list(self._connection.execute(query).mappings())

    def _change(self, table: sa.Table, key: Any, seen_version: int, values: dict[str, Any], what: str) -> None:
        """Update the row if it still has the version that was seen; raise its version. Raises NotFound or Stale."""
        column = next(iter(table.primary_key.columns))
        done = self._connection.execute(
            table.update()
            .where(column == key, table.c.version == seen_version)
            .values({**values, "version": seen_version + 1})
        )
        if done.rowcount == 1:
            return
        row = self._one(sa.select(table.c.version).where(column == key))
        if row is None:
            raise NotFound(f"no {what}")
        raise Stale(f"{what} has changed since (version {row['version']}, seen {seen_version}); look again")
