"""Settings and wiring."""

from router.bootstrap.settings import MOST_PROCESSES, Settings
from router.bootstrap.wiring import open_desk

__all__ = ["MOST_PROCESSES", "Settings", "open_desk"]
