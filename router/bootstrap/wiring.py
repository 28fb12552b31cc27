"""Puts a desk together: the one place that knows both the service and where its records are kept."""

from __future__ import annotations

from router.bootstrap.settings import Settings, default_database
from router.kernel.private_files import make_folder
from router.service.desk import Desk
from router.store import SqlStore, file_of, open_store


def open_desk(settings: Settings, *, there: bool = False) -> Desk:
    """A desk on the database of the settings; with ``there`` only on one that has been used before.

    Raises router.store.StoreOut (a PlatewrightError) for a database that cannot be used.
    """
    store = open_store(settings.database, there=True) if there else open_or_make(settings)
    make_folder(settings.cache_dir)
    return Desk(store, settings.cache_dir, plans_from_now=settings.plans_from_now)


def open_or_make(settings: Settings) -> SqlStore:
    """The store of the settings. An SQLite file is made when missing, its folder only at the default place."""
    make_default_place(settings)
    return open_store(settings.database)


def make_default_place(settings: Settings) -> None:
    """Make the folder of the database where it is the default one.

    A folder somebody named and that is not there is as a rule a slip: records would come to lie where nobody looks.
    """
    file = file_of(settings.database)
    if file is not None and settings.database == default_database():
        make_folder(file.parent)
