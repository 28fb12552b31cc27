"""Everything kept, in one file that any kind of database can be filled from: a zip of JSON lines with their hashes."""

from __future__ import annotations

import base64
import hashlib
import json
import lzma
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from router.kernel.private_files import for_owner_only
from router.store.opening import newest_edition
from router.store.sql_store import SqlStore, StoreOut
from router.store.tables import metadata

_FORMAT = "platewright backup 1"
_MANIFEST = "manifest.json"
_UNREADABLE = (
    OSError, EOFError, zipfile.BadZipFile, zlib.error, lzma.LZMAError, KeyError, ValueError, AttributeError, TypeError,
    RuntimeError,
)  # fmt: skip
"""What reading a file raises that is none of ours or damaged: of an archive, of how it is packed, of what is in it."""
_ROWS_AT_A_TIME = 200


def rows_at_a_time(table: sa.Table, most: int = _ROWS_AT_A_TIME) -> int:
    """How many rows of a table are held in memory: of one that holds whole files, a single one."""
    return 1 if any(isinstance(c.type, sa.LargeBinary) for c in table.columns) else most


def write_to(store: SqlStore, file: Path) -> Mapping[str, int]:
    """Write all tables as of one moment, then read the file back. Raises StoreOut when that does not compare."""
    if file.exists():
        raise StoreOut(f"{file} is there already; name a new file")
    if not file.parent.is_dir():
        raise StoreOut(f"{file.parent} is no folder that is there; name a file in one that is")
    half = file.with_name(f".{file.name}.part")
    try:
        counts, hashes = {}, {}
        # One that an earlier backup left behind when it was killed would keep the rights it has.
        half.unlink(missing_ok=True)
        with (
            open(half, "xb", opener=for_owner_only) as written,
            zipfile.ZipFile(written, "w", zipfile.ZIP_DEFLATED) as archive,
            store.engine.connect() as connection,
        ):
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
            told = {"format": _FORMAT, "edition": newest_edition(), "rows": counts, "sha256": hashes}
            archive.writestr(_MANIFEST, json.dumps(told))
        checked(half)
        half.replace(file)
    finally:
        half.unlink(missing_ok=True)
    return counts


def _lines(connection: sa.Connection, table: sa.Table) -> Iterator[bytes]:
    query = sa.select(table).order_by(*table.primary_key.columns)
    for row in connection.execute(
        query.execution_options(stream_results=True, yield_per=rows_at_a_time(table))
    ).mappings():
        yield json.dumps({name: _plain(value) for name, value in row.items()}, ensure_ascii=False).encode() + b"\n"


def _plain(value: Any) -> Any:
    if isinstance(value, bytes | memoryview):
        return {"bytes": base64.b64encode(bytes(value)).decode()}
    if isinstance(value, date | datetime):
        return value.isoformat()
    return value


@dataclass(frozen=True, slots=True)
class BackupFile:
    """A backup that compares with what it says of itself."""

    rows: Mapping[str, int]
    """Rows by table."""
    edition: str
    """Edition of the tables; empty in backups that do not tell it."""


def checked(file: Path) -> BackupFile:
    """Read a backup through. Raises StoreOut for a file that is none or is damaged."""
    try:
        with zipfile.ZipFile(file) as archive:
            told = json.loads(archive.read(_MANIFEST))
            if told.get("format") != _FORMAT:
                raise StoreOut(f"{file} is no backup of platewright; name a file that `platewright backup` has written")
            for name, digest in told["sha256"].items():
                found, count = hashlib.sha256(), 0
                with archive.open(f"{name}.jsonl") as lines:
                    for line in lines:
                        found.update(line)
                        count += 1
                if found.hexdigest() != digest or count != told["rows"][name]:
                    raise StoreOut(f"{file} is damaged: table {name} does not compare")
    except _UNREADABLE as wrong:
        why = wrong.strerror or wrong if isinstance(wrong, OSError) else wrong
        raise StoreOut(f"{file} cannot be read as a backup: {why}") from wrong
    return BackupFile(told["rows"], str(told.get("edition", "")))
