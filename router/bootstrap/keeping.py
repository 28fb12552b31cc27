"""Backup and restore by the settings."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from router.bootstrap.settings import Settings
from router.bootstrap.wiring import make_default_place
from router.store import open_store
from router.store.backup import checked, write_to
from router.store.restoring import restore_from


def write_backup(settings: Settings, file: Path) -> Mapping[str, int]:
    """Rows written by table; the file has been read back and compared."""
    store = open_store(settings.database, there=True)
    try:
        return write_to(store, file)
    finally:
        store.close()


def read_backup(settings: Settings, file: Path) -> Mapping[str, int]:
    """Rows restored by table; what is refused leaves no database behind."""
    checked(file)
    make_default_place(settings)
    return restore_from(settings.database, file)
