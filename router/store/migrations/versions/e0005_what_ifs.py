"""what-if files that are kept."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "what_ifs",
        sa.Column(
            "what_if_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=True, nullable=False
        ),
        sa.Column("file", sa.String(length=100), nullable=False),
        sa.Column("raw", sa.LargeBinary(), nullable=False),
        sa.Column("saved_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("saved_by", sa.String(length=100), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("what_if_id", name=op.f("pk_what_ifs")),
        sa.UniqueConstraint("file", name=op.f("uq_what_ifs_file")),
        sqlite_autoincrement=True,
    )


def downgrade() -> None:
    op.drop_table("what_ifs")
