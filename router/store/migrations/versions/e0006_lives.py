"""lives of comparisons, kept one by one."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "lives",
        sa.Column("job_id", sa.String(length=40), nullable=False),
        sa.Column("scenario", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("content", sa.String(length=64), nullable=False),
        sa.Column("figures", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.job_id"], name=op.f("fk_lives_job_id")),
        sa.PrimaryKeyConstraint("job_id", "scenario", "number", name=op.f("pk_lives")),
    )


def downgrade() -> None:
    op.drop_table("lives")
