"""Puts a desk together: the one place that knows both the service and where its records are kept."""

from __future__ import annotations

from pathlib import Path

from router.bootstrap.settings import Settings
from router.service.desk import Desk
from router.store import open_store

_SQLITE = "sqlite:///"


def open_desk(settings: Settings) -> Desk:
    """A desk on the database of the settings; an SQLite file and its folder are made when missing.

    Raises router.store.StoreOut (a PlatewrightError) for a database that cannot be used.
    """
    if settings.database.startswith(_SQLITE):
        Path(settings.database.removeprefix(_SQLITE)).parent.mkdir(parents=True, exist_ok=True)
    settings.cache_dir.mkdir(parents=True, exist_ok=True)
    return Desk(open_store(settings.database), settings.cache_dir, plans_from_now=settings.plans_from_now)
