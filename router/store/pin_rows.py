"""Pins of builds: rows beside the plans, which themselves are never edited."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

import sqlalchemy as sa

from router.store.rows import Rows
from router.store.tables import build_pins


class PinRows(Rows):
    """See service.ports.Pins."""

    def of(self, plan_id: int, since: datetime | None = None) -> dict[str, str]:
        query = sa.select(build_pins).where(build_pins.c.plan_id == plan_id).order_by(build_pins.c.build_id)
        if since is not None:
            query = query.where(build_pins.c.at >= since)
        return {str(row["build_id"]): str(row["by"]) for row in self._many(query)}

    def put(self, plan_id: int, pins: Mapping[str, str], at: datetime) -> None:
        known = self.of(plan_id)
        rows = [{"plan_id": plan_id, "build_id": b, "by": by, "at": at} for b, by in pins.items() if b not in known]
        if rows:
            self._connection.execute(build_pins.insert(), rows)

    def drop(self, plan_id: int, build_id: str) -> bool:
        gone = self._connection.execute(
            build_pins.delete().where(build_pins.c.plan_id == plan_id, build_pins.c.build_id == build_id)
        )
        return gone.rowcount > 0
