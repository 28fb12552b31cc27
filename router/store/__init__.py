"""Where records are kept: tables, repositories, migrations."""

from router.store.opening import file_of, open_store
from router.store.sql_store import SqlStore, StoreOut

__all__ = ["SqlStore", "StoreOut", "file_of", "open_store"]
