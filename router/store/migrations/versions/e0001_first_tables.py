"""the first tables."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "attempts",
        sa.Column(
            "attempt_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=True, nullable=False
        ),
        sa.Column("who", sa.String(length=200), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("attempt_id", name=op.f("pk_attempts")),
    )
    op.create_index(op.f("ix_attempts_who"), "attempts", ["who"], unique=False)
    op.create_table(
        "blobs",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_blobs")),
    )
    op.create_table(
        "counters",
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("value", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_counters")),
    )
    op.create_table(
        "events",
        sa.Column("event_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=True, nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("occurred_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(length=100), nullable=False),
        sa.Column("site_id", sa.String(length=200), nullable=True),
        sa.Column("subject", sa.String(length=200), nullable=False),
        sa.Column(
            "details", sa.JSON().with_variant(postgresql.JSONB(astext_type=sa.Text()), "postgresql"), nullable=False
        ),
        sa.PrimaryKeyConstraint("event_id", name=op.f("pk_events")),
    )
    op.create_index(op.f("ix_events_subject"), "events", ["subject"], unique=False)
    op.create_table(
        "jobs",
        sa.Column("job_id", sa.String(length=40), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("standing", sa.String(length=20), nullable=False),
        sa.Column("asked_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("asked_by", sa.String(length=100), nullable=False),
        sa.Column(
            "params", sa.JSON().with_variant(postgresql.JSONB(astext_type=sa.Text()), "postgresql"), nullable=False
        ),
        sa.Column("phase", sa.String(length=200), nullable=False),
        sa.Column("done", sa.Integer(), nullable=False),
        sa.Column("total", sa.Integer(), nullable=True),
        sa.Column("best_cents", sa.BigInteger(), nullable=True),
        sa.Column("bound_cents", sa.BigInteger(), nullable=True),
        sa.Column("claimed_by", sa.String(length=100), nullable=True),
        sa.Column("heartbeat_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column(
            "result", sa.JSON().with_variant(postgresql.JSONB(astext_type=sa.Text()), "postgresql"), nullable=False
        ),
        sa.PrimaryKeyConstraint("job_id", name=op.f("pk_jobs")),
    )
    op.create_index(op.f("ix_jobs_asked_at"), "jobs", ["asked_at"], unique=False)
    op.create_index(op.f("ix_jobs_standing"), "jobs", ["standing"], unique=False)
    op.create_table(
        "lines",
        sa.Column("line_id", sa.String(length=200), nullable=False),
        sa.Column("order_id", sa.String(length=200), nullable=False),
        sa.Column("customer", sa.String(length=400), nullable=False),
        sa.Column("model", sa.String(length=200), nullable=False),
        sa.Column("alloy_id", sa.String(length=200), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("ship_place", sa.String(length=400), nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("release_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("due_date", sa.Date(), nullable=False),
        sa.Column("export_control", sa.String(length=200), nullable=True),
        sa.Column(
            "cells", sa.JSON().with_variant(postgresql.JSONB(astext_type=sa.Text()), "postgresql"), nullable=False
        ),
        sa.Column("standing", sa.String(length=20), nullable=False),
        sa.Column("why_held", sa.Text(), nullable=False),
        sa.Column("pinned_site", sa.String(length=200), nullable=True),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("line_id", name=op.f("pk_lines")),
    )
    op.create_index(op.f("ix_lines_alloy_id"), "lines", ["alloy_id"], unique=False)
    op.create_index(op.f("ix_lines_customer"), "lines", ["customer"], unique=False)
    op.create_index(op.f("ix_lines_due_date"), "lines", ["due_date"], unique=False)
    op.create_index(op.f("ix_lines_order_id"), "lines", ["order_id"], unique=False)
    op.create_index(op.f("ix_lines_received_at"), "lines", ["received_at"], unique=False)
    op.create_index(op.f("ix_lines_standing"), "lines", ["standing"], unique=False)
    op.create_table(
        "networks",
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("raw", sa.LargeBinary(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("saved_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("saved_by", sa.String(length=100), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("version", name=op.f("pk_networks")),
    )
    op.create_table(
        "people",
        sa.Column(
            "person_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=True, nullable=False
        ),
        sa.Column("name", sa.String(length=100), nullable=False),
        sa.Column("folded", sa.String(length=200), nullable=False),
        sa.Column("password_hash", sa.Text(), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column(
            "sites", sa.JSON().with_variant(postgresql.JSONB(astext_type=sa.Text()), "postgresql"), nullable=False
        ),
        sa.Column(
            "cleared_codes",
            sa.JSON().with_variant(postgresql.JSONB(astext_type=sa.Text()), "postgresql"),
            nullable=False,
        ),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("must_change_password", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("person_id", name=op.f("pk_people")),
        sa.UniqueConstraint("folded", name=op.f("uq_people_folded")),
    )
    op.create_table(
        "plans",
        sa.Column("plan_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=True, nullable=False),
        sa.Column("standing", sa.String(length=20), nullable=False),
        sa.Column("book_revision", sa.BigInteger(), nullable=False),
        sa.Column("scenario_fingerprint", sa.String(length=64), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("made_by", sa.String(length=100), nullable=False),
        sa.Column("how", sa.String(length=100), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("parent", sa.BigInteger(), nullable=True),
        sa.Column("job_id", sa.String(length=40), nullable=True),
        sa.Column("currency", sa.String(length=10), nullable=False),
        sa.Column(
            "kpis", sa.JSON().with_variant(postgresql.JSONB(astext_type=sa.Text()), "postgresql"), nullable=False
        ),
        sa.Column("bound_cents", sa.BigInteger(), nullable=True),
        sa.Column("gap", sa.Float(), nullable=True),
        sa.Column("findings", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("plan_id", name=op.f("pk_plans")),
        sa.UniqueConstraint("job_id", name=op.f("uq_plans_job_id")),
    )
    op.create_index(
        "one_live_plan",
        "plans",
        ["standing"],
        unique=True,
        sqlite_where=sa.text("standing = 'live'"),
        postgresql_where=sa.text("standing = 'live'"),
    )
    op.create_table(
        "previews",
        sa.Column("import_id", sa.String(length=40), nullable=False),
        sa.Column("by", sa.String(length=100), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("import_id", name=op.f("pk_previews")),
    )
    op.create_table(
        "receipts",
        sa.Column("by", sa.String(length=100), nullable=False),
        sa.Column("key", sa.String(length=200), nullable=False),
        sa.Column("request_sha256", sa.String(length=64), nullable=False),
        sa.Column(
            "answer", sa.JSON().with_variant(postgresql.JSONB(astext_type=sa.Text()), "postgresql"), nullable=False
        ),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("by", "key", name=op.f("pk_receipts")),
    )
    op.create_table(
        "trail",
        sa.Column("trail_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=True, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(length=100), nullable=False),
        sa.Column("operation", sa.String(length=60), nullable=False),
        sa.Column("subject", sa.String(length=200), nullable=False),
        sa.Column(
            "details", sa.JSON().with_variant(postgresql.JSONB(astext_type=sa.Text()), "postgresql"), nullable=False
        ),
        sa.PrimaryKeyConstraint("trail_id", name=op.f("pk_trail")),
    )
    op.create_index(op.f("ix_trail_subject"), "trail", ["subject"], unique=False)
    op.create_table(
        "job_points",
        sa.Column("job_id", sa.String(length=40), nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("seconds", sa.Float(), nullable=False),
        sa.Column("value", sa.Float(), nullable=True),
        sa.Column("text", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.job_id"], name=op.f("fk_job_points_job_id")),
        sa.PrimaryKeyConstraint("job_id", "number", name=op.f("pk_job_points")),
    )
    op.create_table(
        "models",
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["sha256"], ["blobs.sha256"], name=op.f("fk_models_sha256")),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_models")),
    )
    op.create_index(op.f("ix_models_sha256"), "models", ["sha256"], unique=False)
    op.create_table(
        "plan_bodies",
        sa.Column("plan_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("scenario", sa.LargeBinary(), nullable=False),
        sa.Column(
            "findings", sa.JSON().with_variant(postgresql.JSONB(astext_type=sa.Text()), "postgresql"), nullable=False
        ),
        sa.Column("checks", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["plan_id"], ["plans.plan_id"], name=op.f("fk_plan_bodies_plan_id")),
        sa.PrimaryKeyConstraint("plan_id", name=op.f("pk_plan_bodies")),
    )
    op.create_table(
        "secrets",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("person_id", sa.BigInteger(), nullable=False),
        sa.Column("name", sa.String(length=100), nullable=False),
        sa.Column(
            "scopes", sa.JSON().with_variant(postgresql.JSONB(astext_type=sa.Text()), "postgresql"), nullable=True
        ),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("used_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ends_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["people.person_id"], name=op.f("fk_secrets_person_id")),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_secrets")),
    )
    op.create_index(op.f("ix_secrets_person_id"), "secrets", ["person_id"], unique=False)
