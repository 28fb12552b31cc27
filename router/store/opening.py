"""Opens a store: makes or migrates its tables first, one process at a time, and refuses a newer database."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory

from router.kernel.private_files import for_owner_only
from router.store.sql_store import SqlStore, StoreOut, make_engine

_MIGRATIONS = Path(__file__).parent / "migrations"
_LOCK = 7_305_118_210
"""Number of the advisory lock under which PostgreSQL is migrated; any number nobody else uses."""


def file_of(url: str) -> Path | None:
    """The file of an SQLite database; None for one in memory or of another kind. Raises StoreOut for what is no URL."""
    engine_url = make_engine(url).url
    named = engine_url.database
    if engine_url.get_backend_name() != "sqlite" or not named or named == ":memory:" or named.startswith("file:"):
        return None
    return Path(named)


def open_store(url: str, *, there: bool = False) -> SqlStore:
    """The store at a database URL, with its tables up to date. With ``there`` only one that has been used before.

    Raises StoreOut when it cannot be used; then nothing is made, neither file nor folder.
    """
    file = file_of(url)
    if file is not None:
        check_place(file, there)
        make_file(file)
    engine = make_engine(url)
    try:
        _migrate(engine, there)
    except StoreOut:
        engine.dispose()
        raise
    except sa.exc.DatabaseError as wrong:
        engine.dispose()
        shown = engine.url.render_as_string(hide_password=True)
        hint = "; name the file the server uses, or one that is not there yet" if file is not None else ""
        raise StoreOut(f"database {shown} cannot be opened: {wrong.orig}{hint}") from wrong
    return SqlStore(engine)


def check_place(file: Path, there: bool) -> None:
    """Raises StoreOut when no SQLite file can be made there or, with ``there``, when none is."""
    if there and not file.exists():
        raise StoreOut(f"there is no database at {file}; name the file the server uses, as sqlite:///FILE")
    if not file.parent.is_dir():
        above = next((p for p in file.parent.parents if p.is_dir()), Path("/"))
        raise StoreOut(
            f"the folder {file.parent} is not there (the nearest that is: {above});"
            " make it first, or name a file in a folder that is"
        )


def make_file(file: Path) -> None:
    """An empty database where there is none, for its owner only; the journals beside it are made as it is.

    Where no file can be made it is left to SQLite to say so.
    """
    with suppress(OSError), open(file, "ab", opener=for_owner_only):
        pass


def migration_config(connection: sa.Connection | None = None) -> Config:
    """Alembic's settings, made here: no ini file."""
    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS))
    config.attributes["connection"] = connection
    return config


def newest_edition() -> str:
    """Edition of the tables that this platewright keeps."""
    newest = ScriptDirectory.from_config(migration_config()).get_current_head()
    assert newest is not None
    return newest


def editions() -> list[str]:
    """Editions of the tables there have been, oldest first."""
    return [s.revision for s in ScriptDirectory.from_config(migration_config()).walk_revisions()][::-1]


def lock_migrations(connection: sa.Connection) -> None:
    """Until the transaction ends nobody else makes or changes tables."""
    if connection.dialect.name == "postgresql":
        connection.execute(sa.text("SELECT pg_advisory_xact_lock(:n)"), {"n": _LOCK})


def _migrate(engine: sa.Engine, there: bool) -> None:
    config = migration_config()
    scripts = ScriptDirectory.from_config(config)
    newest = scripts.get_current_head()
    with engine.connect() as connection, connection.begin():
        lock_migrations(connection)
        now = MigrationContext.configure(connection).get_current_revision()
        if now == newest:
            return
        if now is None and there:
            shown = engine.url.render_as_string(hide_password=True)
            raise StoreOut(f"the database {shown} holds nothing of platewright; name the one the server uses")
        if now is not None and now not in {s.revision for s in scripts.walk_revisions()}:
            raise StoreOut(f"the database was written by a newer platewright (edition {now}); update this one")
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
