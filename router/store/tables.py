"""Tables. Times are kept in UTC and come back aware on every database; bodies lie apart from rows that are searched."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql

metadata = sa.MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)


class Moment(sa.types.TypeDecorator[datetime]):
    """An aware time. SQLite keeps no zones: UTC goes in, UTC comes out."""

    impl = sa.DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: sa.Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"a time without zone cannot be kept: {value}")
        utc = value.astimezone(UTC)
        return utc.replace(tzinfo=None) if dialect.name == "sqlite" else utc

    def process_result_value(self, value: Any, dialect: sa.Dialect) -> datetime | None:
        if value is None:
            return None
        known: datetime = value if value.tzinfo is not None else value.replace(tzinfo=UTC)
        return known.astimezone(UTC)


Json = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")
Key = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
"""Counting keys: SQLite counts plain INTEGER keys only."""

counters = sa.Table(
    "counters",
    metadata,
    sa.Column("name", sa.String(40), primary_key=True),
    sa.Column("value", sa.BigInteger, nullable=False),
)

lines = sa.Table(
    "lines",
    metadata,
    sa.Column("line_id", sa.String(200), primary_key=True),
    sa.Column("order_id", sa.String(200), nullable=False, index=True),
    sa.Column("customer", sa.String(400), nullable=False, index=True),
    sa.Column("model", sa.String(200), nullable=False),
    sa.Column("alloy_id", sa.String(200), nullable=False, index=True),
    sa.Column("quantity", sa.Integer, nullable=False),
    sa.Column("ship_place", sa.String(400), nullable=False),
    sa.Column("received_at", Moment, nullable=False, index=True),
    sa.Column("release_at", Moment, nullable=False),
    sa.Column("due_date", sa.Date, nullable=False, index=True),
    sa.Column("export_control", sa.String(200)),
    sa.Column("cells", Json, nullable=False),
    sa.Column("standing", sa.String(20), nullable=False, index=True),
    sa.Column("why_held", sa.Text, nullable=False),
    sa.Column("pinned_site", sa.String(200)),
    sa.Column("words", sa.Text, nullable=False),
    sa.Column("version", sa.Integer, nullable=False),
)

former_names = sa.Table(
    "former_names",
    metadata,
    sa.Column("line_id", sa.String(200), sa.ForeignKey("lines.line_id"), primary_key=True),
    sa.Column("name", sa.String(400), primary_key=True),
    sa.Column("export_control", sa.String(200), primary_key=True),
)
"""``export_control`` is empty for a line of no code."""

blobs = sa.Table(
    "blobs",
    metadata,
    sa.Column("sha256", sa.String(64), primary_key=True),
    sa.Column("content", sa.LargeBinary, nullable=False),
)

models = sa.Table(
    "models",
    metadata,
    sa.Column("name", sa.String(200), primary_key=True),
    sa.Column("sha256", sa.String(64), sa.ForeignKey("blobs.sha256"), nullable=False, index=True),
    sa.Column("size_bytes", sa.BigInteger, nullable=False),
    sa.Column("added_at", Moment, nullable=False),
    sa.Column("export_codes", Json, nullable=False, server_default=sa.text("'[]'")),
)

networks = sa.Table(
    "networks",
    metadata,
    sa.Column("version", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("raw", sa.LargeBinary, nullable=False),
    sa.Column("sha256", sa.String(64), nullable=False),
    sa.Column("saved_at", Moment, nullable=False),
    sa.Column("saved_by", sa.String(100), nullable=False),
    sa.Column("note", sa.Text, nullable=False),
)

plans = sa.Table(
    "plans",
    metadata,
    sa.Column("plan_id", Key, primary_key=True, autoincrement=True),
    sa.Column("standing", sa.String(20), nullable=False),
    sa.Column("book_revision", sa.BigInteger, nullable=False),
    sa.Column("scenario_fingerprint", sa.String(64), nullable=False),
    sa.Column("made_at", Moment, nullable=False),
    sa.Column("made_by", sa.String(100), nullable=False),
    sa.Column("how", sa.String(100), nullable=False),
    sa.Column("note", sa.Text, nullable=False),
    sa.Column("parent", sa.BigInteger),
    sa.Column("job_id", sa.String(40), unique=True),
    sa.Column("currency", sa.String(10), nullable=False),
    sa.Column("kpis", Json, nullable=False),
    sa.Column("bound_cents", sa.BigInteger),
    sa.Column("gap", sa.Float),
    sa.Column("findings", sa.Integer, nullable=False),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Index(
        "one_live_plan",
        "standing",
        unique=True,
        sqlite_where=sa.text("standing = 'live'"),
        postgresql_where=sa.text("standing = 'live'"),
    ),
)

plan_bodies = sa.Table(
    "plan_bodies",
    metadata,
    sa.Column("plan_id", sa.BigInteger, sa.ForeignKey("plans.plan_id"), primary_key=True, autoincrement=False),
    sa.Column("body", sa.LargeBinary, nullable=False),
    sa.Column("scenario", sa.LargeBinary, nullable=False),
    sa.Column("findings", Json, nullable=False),
    sa.Column("checks", sa.BigInteger, nullable=False),
)

build_pins = sa.Table(
    "build_pins",
    metadata,
    sa.Column("plan_id", sa.BigInteger, sa.ForeignKey("plans.plan_id"), primary_key=True, autoincrement=False),
    sa.Column("build_id", sa.String(200), primary_key=True),
    sa.Column("by", sa.String(100), nullable=False),
    sa.Column("at", Moment, nullable=False),
)

what_ifs = sa.Table(
    "what_ifs",
    metadata,
    sa.Column("what_if_id", Key, primary_key=True, autoincrement=True),
    sa.Column("file", sa.String(100), nullable=False, unique=True),
    sa.Column("raw", sa.LargeBinary, nullable=False),
    sa.Column("saved_at", Moment, nullable=False),
    sa.Column("saved_by", sa.String(100), nullable=False),
    sa.Column("version", sa.Integer, nullable=False),
    sqlite_autoincrement=True,
)

events = sa.Table(
    "events",
    metadata,
    sa.Column("event_id", Key, primary_key=True, autoincrement=True),
    sa.Column("kind", sa.String(40), nullable=False),
    sa.Column("occurred_at", Moment, nullable=False),
    sa.Column("recorded_at", Moment, nullable=False),
    sa.Column("by", sa.String(100), nullable=False),
    sa.Column("site_id", sa.String(200)),
    sa.Column("subject", sa.String(200), nullable=False, index=True),
    sa.Column("details", Json, nullable=False),
    sa.Column("lasting_id", sa.String(200), index=True),
)

trail = sa.Table(
    "trail",
    metadata,
    sa.Column("trail_id", Key, primary_key=True, autoincrement=True),
    sa.Column("at", Moment, nullable=False),
    sa.Column("by", sa.String(100), nullable=False),
    sa.Column("operation", sa.String(60), nullable=False),
    sa.Column("subject", sa.String(200), nullable=False, index=True),
    sa.Column("details", Json, nullable=False),
)

receipts = sa.Table(
    "receipts",
    metadata,
    sa.Column("by", sa.String(100), primary_key=True),
    sa.Column("key", sa.String(200), primary_key=True),
    sa.Column("request_sha256", sa.String(64), nullable=False),
    sa.Column("answer", Json, nullable=False),
    sa.Column("at", Moment, nullable=False),
)

previews = sa.Table(
    "previews",
    metadata,
    sa.Column("import_id", sa.String(40), primary_key=True),
    sa.Column("by", sa.String(100), nullable=False),
    sa.Column("at", Moment, nullable=False),
    sa.Column("payload", sa.LargeBinary, nullable=False),
)

jobs = sa.Table(
    "jobs",
    metadata,
    sa.Column("job_id", sa.String(40), primary_key=True),
    sa.Column("kind", sa.String(20), nullable=False),
    sa.Column("standing", sa.String(20), nullable=False, index=True),
    sa.Column("asked_at", Moment, nullable=False, index=True),
    sa.Column("asked_by", sa.String(100), nullable=False),
    sa.Column("params", Json, nullable=False),
    sa.Column("phase", sa.String(200), nullable=False),
    sa.Column("done", sa.Integer, nullable=False),
    sa.Column("total", sa.Integer),
    sa.Column("best_cents", sa.BigInteger),
    sa.Column("bound_cents", sa.BigInteger),
    sa.Column("claimed_by", sa.String(100)),
    sa.Column("heartbeat_at", Moment),
    sa.Column("attempt", sa.Integer, nullable=False),
    sa.Column("started_at", Moment),
    sa.Column("ended_at", Moment),
    sa.Column("why", sa.Text, nullable=False),
    sa.Column("result", Json, nullable=False),
)

job_points = sa.Table(
    "job_points",
    metadata,
    sa.Column("job_id", sa.String(40), sa.ForeignKey("jobs.job_id"), primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("kind", sa.String(20), nullable=False),
    sa.Column("seconds", sa.Float, nullable=False),
    sa.Column("value", sa.Float),
    sa.Column("text", sa.Text, nullable=False),
)

lives = sa.Table(
    "lives",
    metadata,
    sa.Column("job_id", sa.String(40), sa.ForeignKey("jobs.job_id"), primary_key=True),
    sa.Column("scenario", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("content", sa.String(64), nullable=False),
    sa.Column("figures", Json, nullable=False),
)

job_scenarios = sa.Table(
    "job_scenarios",
    metadata,
    sa.Column("job_id", sa.String(40), sa.ForeignKey("jobs.job_id"), primary_key=True),
    sa.Column("scenario", sa.LargeBinary, nullable=False),
)

people = sa.Table(
    "people",
    metadata,
    sa.Column("person_id", Key, primary_key=True, autoincrement=True),
    sa.Column("name", sa.String(100), nullable=False),
    sa.Column("folded", sa.String(200), nullable=False, unique=True),
    sa.Column("password_hash", sa.Text, nullable=False),
    sa.Column("role", sa.String(20), nullable=False),
    sa.Column("sites", Json, nullable=False),
    sa.Column("cleared_codes", Json, nullable=False),
    sa.Column("active", sa.Boolean, nullable=False),
    sa.Column("must_change_password", sa.Boolean, nullable=False),
    sa.Column("version", sa.Integer, nullable=False),
)

secrets = sa.Table(
    "secrets",
    metadata,
    sa.Column("sha256", sa.String(64), primary_key=True),
    sa.Column("kind", sa.String(10), nullable=False),
    sa.Column("person_id", sa.BigInteger, sa.ForeignKey("people.person_id"), nullable=False, index=True),
    sa.Column("name", sa.String(100), nullable=False),
    sa.Column("scopes", Json),
    sa.Column("made_at", Moment, nullable=False),
    sa.Column("used_at", Moment, nullable=False),
    sa.Column("ends_at", Moment, nullable=False),
)

attempts = sa.Table(
    "attempts",
    metadata,
    sa.Column("attempt_id", Key, primary_key=True, autoincrement=True),
    sa.Column("who", sa.String(200), nullable=False, index=True),
    sa.Column("at", Moment, nullable=False),
)
