"""builds keep an identity: written into the plans there are, and into the events about their builds."""

from __future__ import annotations

import gzip
import json
from collections import Counter, defaultdict
from collections.abc import Iterable
from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_JSON = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")
_PLANS = sa.table("plans", sa.column("plan_id"), sa.column("how"), sa.column("parent"))
_BODIES = sa.table("plan_bodies", sa.column("plan_id"), sa.column("body", sa.LargeBinary()))
_EVENTS = sa.table(
    "events",
    sa.column("event_id"),
    sa.column("kind"),
    sa.column("subject"),
    sa.column("details", _JSON),
    sa.column("lasting_id"),
)
_OF_BUILDS = ("build started", "build finished", "build failed", "pieces scrapped")

Names = dict[str, str]
"""Lasting id by the name of a build in one plan."""
Load = frozenset[tuple[str | None, int]]
"""Pieces on a build by line."""


def upgrade() -> None:
    op.add_column("events", sa.Column("lasting_id", sa.String(length=200), nullable=True))
    op.create_index(op.f("ix_events_lasting_id"), "events", ["lasting_id"], unique=False)
    connection = op.get_bind()
    _name_events(connection, _name_builds(connection))


def _name_builds(connection: sa.Connection) -> dict[int, Names]:
    """Give every build of every plan its identity. A plan moved by hand has those of the plan it was moved from."""
    named: dict[int, Names] = {}
    loads: dict[int, list[tuple[str, Load]]] = {}
    heads = connection.execute(sa.select(_PLANS).order_by(_PLANS.c.plan_id)).mappings().all()
    for head in heads:
        plan_id = int(head["plan_id"])
        where = _BODIES.c.plan_id == plan_id
        packed = connection.execute(sa.select(_BODIES.c.body).where(where)).scalar_one_or_none()
        if packed is None:
            continue
        kept = json.loads(gzip.decompress(bytes(packed)))
        builds = kept["result"]["plan"]["builds"]
        parent = head["parent"]
        loads[plan_id] = [(b["build_id"], _load(b)) for b in builds]
        carried: Names = {}
        if head["how"] == "moved by hand" and parent in named:
            carried = _carried(loads[parent], named[parent], loads[plan_id])
        for build in builds:
            name = build["build_id"]
            build["lasting_id"] = carried.get(name, f"plan{plan_id}-{name}")
        named[plan_id] = {b["build_id"]: b["lasting_id"] for b in builds}
        text = json.dumps(kept, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
        connection.execute(_BODIES.update().where(where).values(body=gzip.compress(text.encode(), 5, mtime=0)))
    return named


def _carried(before: Iterable[tuple[str, Load]], ids: Names, after: Iterable[tuple[str, Load]]) -> Names:
    """A move by hand leaves the pieces of every build together: they tell which it is, like ones by name and order."""
    waiting: dict[Load, list[str]] = defaultdict(list)
    for name, load in before:
        waiting[load].append(name)
    found: Names = {}
    left = []
    for name, load in after:
        if name in waiting[load]:
            waiting[load].remove(name)
            found[name] = ids[name]
        else:
            left.append((name, load))
    for name, load in left:
        if waiting[load]:
            found[name] = ids[waiting[load].pop(0)]
    return found


def _load(build: dict[str, Any]) -> Load:
    return frozenset(Counter(p["line_id"] for p in build["pieces"]).items())


def _name_events(connection: sa.Connection, named: dict[int, Names]) -> None:
    """A start tells its plan; what follows by the same name is about the build started last."""
    latest: Names = {}
    query = sa.select(_EVENTS).where(_EVENTS.c.kind.in_(_OF_BUILDS)).order_by(_EVENTS.c.event_id)
    for event in connection.execute(query).mappings().all():
        name = event["subject"]
        if event["kind"] == "build started":
            plan_id = event["details"].get("plan_id")
            latest[name] = named.get(plan_id, {}).get(name, f"plan{plan_id or 0}-{name}")
        if name in latest:
            change = _EVENTS.update().where(_EVENTS.c.event_id == event["event_id"])
            connection.execute(change.values(lasting_id=latest[name]))
