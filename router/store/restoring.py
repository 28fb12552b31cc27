"""An empty database filled from a backup, also one of an earlier edition: into its tables, then carried over."""

from __future__ import annotations

import base64
import json
import zipfile
from collections.abc import Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from alembic import command

from router.store.backup import BackupFile, checked, rows_at_a_time
from router.store.opening import check_place, editions, file_of, lock_migrations, make_file, migration_config
from router.store.sql_store import StoreOut, make_engine
from router.store.tables import Moment, metadata

_AT_A_TIME = 500


def restore_from(url: str, file: Path) -> Mapping[str, int]:
    """Fill the empty database at a URL in one transaction; rows restored by table.

    Raises StoreOut for a damaged file, one of a newer platewright, or a database that has rows; then everything is as
    it was, and a database that was not there is not made.
    """
    told = checked(file)
    edition = _edition_of(file, told)
    place = file_of(url)
    made = place is not None and not place.exists()
    if place is not None:
        check_place(place, there=False)
        make_file(place)
    engine = make_engine(url)
    try:
        _fill(engine, file, told, edition)
    except BaseException as wrong:
        engine.dispose()
        if made and place is not None:
            for ending in ("", "-wal", "-shm"):
                place.with_name(place.name + ending).unlink(missing_ok=True)
        if isinstance(wrong, sa.exc.DBAPIError):
            shown = engine.url.render_as_string(hide_password=True)
            raise StoreOut(f"database {shown} does not take {file}: {wrong.orig}") from wrong
        raise
    engine.dispose()
    return told.rows


def _fill(engine: sa.Engine, file: Path, told: BackupFile, edition: str) -> None:
    with engine.connect() as connection, connection.begin(), zipfile.ZipFile(file) as archive:
        lock_migrations(connection)
        there = set(sa.inspect(connection).get_table_names())
        for table in metadata.sorted_tables:
            if table.name in there and connection.execute(sa.select(sa.literal(1)).select_from(table).limit(1)).first():
                raise StoreOut("the database is not empty; restore into a new one")
        # Empty tables may be of any edition: they are made anew as the backup knows them.
        metadata.drop_all(connection)
        connection.execute(sa.text("DROP TABLE IF EXISTS alembic_version"))
        config = migration_config(connection)
        command.upgrade(config, edition)
        for table in metadata.sorted_tables:
            if table.name in told.rows:
                _fill_table(connection, archive, table)
        command.upgrade(config, "head")


def _fill_table(connection: sa.Connection, archive: zipfile.ZipFile, table: sa.Table) -> None:
    rows: list[dict[str, Any]] = []
    many = rows_at_a_time(table, _AT_A_TIME)
    with archive.open(f"{table.name}.jsonl") as lines:
        for line in lines:
            rows.append(_row(table, json.loads(line)))
            if len(rows) == many:
                connection.execute(table.insert(), rows)
                rows = []
    if rows:
        connection.execute(table.insert(), rows)
    _count_on(connection, table)


def _edition_of(file: Path, told: BackupFile) -> str:
    """Edition of the tables in a backup. Raises StoreOut for one that is not known here."""
    known = editions()
    if told.edition and told.edition not in known:
        raise StoreOut(f"{file} was written by a newer platewright (edition {told.edition}); update this one")
    if not set(told.rows) <= set(metadata.tables):
        raise StoreOut(
            f"{file} holds tables that are not known; it was written by a newer platewright: update this one"
        )
    return told.edition or _edition_by_content(file, told)


def _edition_by_content(file: Path, told: BackupFile) -> str:
    """The earliest edition that has what is in the file: backups did not always tell theirs."""
    with zipfile.ZipFile(file) as archive:
        if "export_codes" in _first_row(archive, "models"):
            return "0004"
        if "build_pins" in told.rows:
            return "0003"
        return "0002" if "lasting_id" in _first_row(archive, "events") else "0001"


def _first_row(archive: zipfile.ZipFile, table: str) -> Mapping[str, Any]:
    with archive.open(f"{table}.jsonl") as lines:
        found: Mapping[str, Any] = json.loads(next(iter(lines), b"{}"))
    return found


def _row(table: sa.Table, told: Mapping[str, Any]) -> dict[str, Any]:
    """A row as the database takes it; columns of later editions are left to their migrations."""
    row: dict[str, Any] = {}
    for name, value in told.items():
        column = table.columns.get(name)
        if column is None:
            raise StoreOut(f"the backup holds {table.name}.{name}, which is not known: update this platewright")
        if value is not None:
            if isinstance(column.type, sa.LargeBinary):
                value = base64.b64decode(value["bytes"])
            elif isinstance(column.type, sa.Date):
                value = date.fromisoformat(value)
            elif isinstance(column.type, Moment):
                value = datetime.fromisoformat(value)
        row[name] = value
    return row


def _count_on(connection: sa.Connection, table: sa.Table) -> None:
    """Let PostgreSQL count keys on from the restored ones; SQLite does so by itself."""
    key = next(iter(table.primary_key.columns))
    if connection.dialect.name == "postgresql" and key.autoincrement is True:
        largest = connection.execute(sa.select(sa.func.max(key))).scalar_one()
        if largest is not None:
            sequence = sa.func.pg_get_serial_sequence(table.name, key.name)
            connection.execute(sa.select(sa.func.setval(sequence, largest)))
