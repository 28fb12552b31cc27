"""models are marked with the export codes of the lines that use them."""

from __future__ import annotations

from collections import defaultdict

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_JSON = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")
_MODELS = sa.table("models", sa.column("name"), sa.column("export_codes", _JSON))
_LINES = sa.table("lines", sa.column("line_id"), sa.column("model"), sa.column("export_control"))


def upgrade() -> None:
    op.add_column("models", sa.Column("export_codes", _JSON, nullable=False, server_default=sa.text("'[]'")))
    connection = op.get_bind()
    kept = set(connection.execute(sa.select(_MODELS.c.name)).scalars())
    used: dict[str, set[str | None]] = defaultdict(set)
    every: set[str] = set()
    for line in connection.execute(sa.select(_LINES)).mappings():
        own = f"{line['line_id']}/{line['model']}"
        used[own if own in kept else line["model"]].add(line["export_control"])
        if line["export_control"] is not None:
            every.add(line["export_control"])
    for name in sorted(kept):
        # Whose a model was that no line uses any more was not kept: it may have been of any code in the book.
        codes = used.get(name, set(every))
        if codes and None not in codes:
            marked = sorted(code for code in codes if code is not None)
            connection.execute(_MODELS.update().where(_MODELS.c.name == name).values(export_codes=marked))


def downgrade() -> None:
    op.drop_column("models", "export_codes")
