"""Plans: heads that are listed, bodies that are read one at a time."""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any

import sqlalchemy as sa

from router.kernel.packing import unpacked
from router.service.ports import PackedBody, PlanBody
from router.service.records import PlanHead, PlanStanding
from router.store.rows import Rows
from router.store.tables import plan_bodies, plans


class PlanRows(Rows):
    """See service.ports.Plans."""

    def head(self, plan_id: int) -> PlanHead | None:
        row = self._one(sa.select(plans).where(plans.c.plan_id == plan_id))
        return _head(row) if row else None

    def heads(self, limit: int, before: int | None = None) -> list[PlanHead]:
        query = sa.select(plans).order_by(plans.c.plan_id.desc()).limit(limit)
        if before is not None:
            query = query.where(plans.c.plan_id < before)
        return [_head(row) for row in self._many(query)]

    def live(self) -> PlanHead | None:
        row = self._one(sa.select(plans).where(plans.c.standing == PlanStanding.LIVE.value))
        return _head(row) if row else None

    def body(self, plan_id: int) -> PlanBody | None:
        row = self._one(sa.select(plan_bodies).where(plan_bodies.c.plan_id == plan_id))
        if row is None:
            return None
        return PlanBody(unpacked(row["body"]), unpacked(row["scenario"]), tuple(row["findings"]), int(row["checks"]))

    def add(self, head: PlanHead, body: PackedBody) -> PlanHead:
        values = {**asdict(head), "standing": head.standing.value, "kpis": dict(head.kpis)}
        del values["plan_id"]
        made = self._connection.execute(plans.insert().values(values).returning(plans.c.plan_id))
        plan_id = int(made.scalar_one())
        self._connection.execute(
            plan_bodies.insert().values(
                plan_id=plan_id,
                body=body.result,
                scenario=body.scenario,
                findings=list(body.findings),
                checks=body.checks,
            )
        )
        return replace(head, plan_id=plan_id)

    def stand(self, plan_id: int, standing: PlanStanding, seen_version: int) -> PlanHead:
        self._change(plans, plan_id, seen_version, {"standing": standing.value}, f"plan {plan_id}")
        head = self.head(plan_id)
        assert head is not None
        return head


def _head(row: Any) -> PlanHead:
    return PlanHead(**{**row, "standing": PlanStanding(row["standing"])})
