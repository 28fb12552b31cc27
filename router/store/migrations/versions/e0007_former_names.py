"""names that lines under export control had before."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # What lines were called before this edition was not kept, so the table begins empty.
    op.create_table(
        "former_names",
        sa.Column("line_id", sa.String(length=200), nullable=False),
        sa.Column("name", sa.String(length=400), nullable=False),
        sa.Column("export_control", sa.String(length=200), nullable=False),
        sa.ForeignKeyConstraint(["line_id"], ["lines.line_id"], name=op.f("fk_former_names_line_id")),
        sa.PrimaryKeyConstraint("line_id", "name", "export_control", name=op.f("pk_former_names")),
    )


def downgrade() -> None:
    op.drop_table("former_names")
