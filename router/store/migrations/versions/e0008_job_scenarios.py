"""what a comparison under way lives by, kept from its first attempt to its end."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "job_scenarios",
        sa.Column("job_id", sa.String(length=40), nullable=False),
        sa.Column("scenario", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.job_id"], name=op.f("fk_job_scenarios_job_id")),
        sa.PrimaryKeyConstraint("job_id", name=op.f("pk_job_scenarios")),
    )


def downgrade() -> None:
    op.drop_table("job_scenarios")
