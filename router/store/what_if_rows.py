"""Kept what-if files as rows."""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any

import sqlalchemy as sa

from router.service.records import WhatIfRecord
from router.store.rows import Rows
from router.store.tables import counters, what_ifs

_NUMBERS = "what_if_number"
"""Counts the numbers given out (migration 0009 begins it)."""


class WhatIfRows(Rows):
    """See service.ports.WhatIfs."""

    def get(self, what_if_id: int) -> WhatIfRecord | None:
        row = self._one(sa.select(what_ifs).where(what_ifs.c.what_if_id == what_if_id))
        return _record(row) if row else None

    def named(self, file: str) -> WhatIfRecord | None:
        row = self._one(sa.select(what_ifs).where(what_ifs.c.file == file))
        return _record(row) if row else None

    def all(self) -> list[WhatIfRecord]:
        return [_record(row) for row in self._many(sa.select(what_ifs).order_by(what_ifs.c.file))]

    def add(self, record: WhatIfRecord) -> WhatIfRecord:
        numbered = replace(record, what_if_id=self._next_number())
        self._connection.execute(what_ifs.insert().values(asdict(numbered)))
        return numbered

    def change(self, record: WhatIfRecord, seen_version: int) -> WhatIfRecord:
        values = {k: v for k, v in asdict(record).items() if k not in ("what_if_id", "version")}
        self._change(what_ifs, record.what_if_id, seen_version, values, f"what-if {record.what_if_id}")
        return replace(record, version=seen_version + 1)

    def drop(self, what_if_id: int, seen_version: int) -> None:
        # Raising the version first says in one place what is wrong with a version that was not seen.
        self._change(what_ifs, what_if_id, seen_version, {}, f"what-if {what_if_id}")
        self._connection.execute(what_ifs.delete().where(what_ifs.c.what_if_id == what_if_id))

    def _next_number(self) -> int:
        """One that no what-if ever had: what the database counts by itself is forgotten where a backup is restored."""
        own = counters.c.name == _NUMBERS
        done = self._connection.execute(counters.update().where(own).values(value=counters.c.value + 1))
        if done.rowcount == 0:
            self._connection.execute(counters.insert().values(name=_NUMBERS, value=1))
        return int(self._one(sa.select(counters.c.value).where(own))["value"])


def _record(row: Any) -> WhatIfRecord:
    return WhatIfRecord(**{**row, "raw": bytes(row["raw"])})
