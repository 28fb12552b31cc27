"""builds of a plan that stay as they are."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "build_pins",
        sa.Column("plan_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("build_id", sa.String(length=200), nullable=False),
        sa.Column("by", sa.String(length=100), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["plan_id"], ["plans.plan_id"], name=op.f("fk_build_pins_plan_id")),
        sa.PrimaryKeyConstraint("plan_id", "build_id", name=op.f("pk_build_pins")),
    )


def downgrade() -> None:
    op.drop_table("build_pins")
