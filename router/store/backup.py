"""Everything kept, in one file that any kind of database can be filled from: a zip of JSON lines with their hashes."""

from __future__ import annotations

import base64
import hashlib
import json
import zipfile
from collections.abc import Iterator, Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from router.store.sql_store import SqlStore, StoreOut
from router.store.tables import Moment, metadata

_FORMAT = "platewright backup 1"
_MANIFEST = "manifest.json"


def write_to(store: SqlStore, file: Path) -> Mapping[str, int]:
    """Write all tables as of one moment, then read the file back. Raises StoreOut when that does not compare."""
    if file.exists():
        raise StoreOut(f"{file} is there already; name a new file")
    half = file.with_name(f".{file.name}.part")
    try:
        counts, hashes = {}, {}
        with zipfile.ZipFile(half, "w", zipfile.ZIP_DEFLATED) as archive, store.engine.connect() as connection:
            if store.engine.dialect.name == "postgresql":
                connection = connection.execution_options(isolation_level="REPEATABLE READ")
            with connection.execution_options(writes=False).begin():
                for table in metadata.sorted_tables:
                    digest, count = hashlib.sha256(), 0
                    with archive.open(f"{table.name}.jsonl", "w", force_zip64=True) as out:
                        for line in _lines(connection, table):
                            out.write(line)
                            digest.update(line)
                            count += 1
                    counts[table.name], hashes[table.name] = count, digest.hexdigest()
            told = {"format": _FORMAT, "rows": counts, "sha256": hashes}
            archive.writestr(_MANIFEST, json.dumps(told))
        _checked(half)
        half.replace(file)
    finally:
        half.unlink(missing_ok=True)
    return counts


def restore_from(store: SqlStore, file: Path) -> Mapping[str, int]:
    """Fill an empty database in one transaction. Raises StoreOut for a damaged file or a database that has rows."""
    counts = _checked(file)
    with store.engine.connect() as connection, connection.begin(), zipfile.ZipFile(file) as archive:
        for table in metadata.sorted_tables:
            if connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one():
                raise StoreOut("the database is not empty; restore into a new one")
        for table in metadata.sorted_tables:
            rows: list[dict[str, Any]] = []
            with archive.open(f"{table.name}.jsonl") as lines:
                for line in lines:
                    rows.append(_row(table, json.loads(line)))
                    if len(rows) == 500:
                        connection.execute(table.insert(), rows)
                        rows = []
            if rows:
                connection.execute(table.insert(), rows)
            _count_on(connection, table)
    return counts


def _lines(connection: sa.Connection, table: sa.Table) -> Iterator[bytes]:
    query = sa.select(table).order_by(*table.primary_key.columns)
    for row in connection.execute(query.execution_options(stream_results=True, yield_per=200)).mappings():
        yield json.dumps({name: _plain(value) for name, value in row.items()}, ensure_ascii=False).encode() + b"\n"


def _plain(value: Any) -> Any:
    if isinstance(value, bytes | memoryview):
        return {"bytes": base64.b64encode(bytes(value)).decode()}
    if isinstance(value, date | datetime):
        return value.isoformat()
    return value


def _row(table: sa.Table, told: Mapping[str, Any]) -> dict[str, Any]:
    row: dict[str, Any] = {}
    for column in table.columns:
        value = told[column.name]
        if value is not None:
            if isinstance(column.type, sa.LargeBinary):
                value = base64.b64decode(value["bytes"])
            elif isinstance(column.type, sa.Date):
                value = date.fromisoformat(value)
            elif isinstance(column.type, Moment):
                value = datetime.fromisoformat(value)
        row[column.name] = value
    return row


def _count_on(connection: sa.Connection, table: sa.Table) -> None:
    """Let PostgreSQL count keys on from the restored ones; SQLite does so by itself."""
    key = next(iter(table.primary_key.columns))
    if connection.dialect.name == "postgresql" and key.autoincrement is True:
        largest = connection.execute(sa.select(sa.func.max(key))).scalar_one()
        if largest is not None:
            sequence = sa.func.pg_get_serial_sequence(table.name, key.name)
            connection.execute(sa.select(sa.func.setval(sequence, largest)))


def _checked(file: Path) -> Mapping[str, int]:
    try:
        with zipfile.ZipFile(file) as archive:
            told = json.loads(archive.read(_MANIFEST))
            if told.get("format") != _FORMAT or set(told["rows"]) != set(metadata.tables):
                raise StoreOut(f"{file} is no backup of this edition")
            for name, digest in told["sha256"].items():
                found, count = hashlib.sha256(), 0
                with archive.open(f"{name}.jsonl") as lines:
                    for line in lines:
                        found.update(line)
                        count += 1
                if found.hexdigest() != digest or count != told["rows"][name]:
                    raise StoreOut(f"{file} is damaged: table {name} does not compare")
    except (OSError, zipfile.BadZipFile, KeyError, ValueError) as wrong:
        raise StoreOut(f"{file} cannot be read as a backup: {wrong}") from wrong
    rows: Mapping[str, int] = told["rows"]
    return rows
