"""Where records are kept: tables, repositories, migrations."""

from router.store.opening import open_store
from router.store.sql_store import SqlStore, StoreOut

__all__ = ["SqlStore", "StoreOut", "open_store"]
