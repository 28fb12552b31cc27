"""Backup and restore by the settings."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from router.bootstrap.settings import Settings
from router.bootstrap.wiring import open_or_make
from router.store import open_store
from router.store.backup import restore_from, write_to


def write_backup(settings: Settings, file: Path) -> Mapping[str, int]:
    """Rows written by table; the file has been read back and compared."""
    store = open_store(settings.database, there=True)
    try:
        return write_to(store, file)
    finally:
        store.close()


def read_backup(settings: Settings, file: Path) -> Mapping[str, int]:
    """Rows restored by table."""
    store = open_or_make(settings)
    try:
        return restore_from(store, file)
    finally:
        store.close()
