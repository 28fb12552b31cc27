"""the numbers of what-ifs that were given out are counted where backups carry the count."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

_NAME = "what_if_number"
_JSON = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")
_COUNTERS = sa.table("counters", sa.column("name"), sa.column("value"))
_WHAT_IFS = sa.table("what_ifs", sa.column("what_if_id"))
_TRAIL = sa.table("trail", sa.column("operation"), sa.column("details", _JSON))


def upgrade() -> None:
    connection = op.get_bind()
    kept = connection.execute(sa.select(sa.func.max(_WHAT_IFS.c.what_if_id))).scalar() or 0
    # Numbers of what-ifs that were deleted stand in the trail only, and in the database's own count unless it was
    # filled from a backup.
    told = sa.select(_TRAIL.c.details).where(_TRAIL.c.operation.in_(("keep what-if", "delete what-if")))
    given = [int(details.get("what_if_id", 0)) for details in connection.execute(told).scalars()]
    highest = max([kept, _counted(connection), *given])
    if highest:
        connection.execute(_COUNTERS.insert().values(name=_NAME, value=highest))


def _counted(connection: sa.Connection) -> int:
    """The database's own count."""
    if connection.dialect.name == "sqlite":
        query = "SELECT seq FROM sqlite_sequence WHERE name = 'what_ifs'"
        return int(connection.execute(sa.text(query)).scalar() or 0)
    name = connection.execute(sa.text("SELECT pg_get_serial_sequence('what_ifs', 'what_if_id')")).scalar_one()
    query = f"SELECT CASE WHEN is_called THEN last_value ELSE 0 END FROM {name}"
    return int(connection.execute(sa.text(query)).scalar_one())


def downgrade() -> None:
    op.execute(_COUNTERS.delete().where(_COUNTERS.c.name == _NAME))
