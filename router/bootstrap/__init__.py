"""Settings and wiring."""

from router.bootstrap.settings import Settings
from router.bootstrap.wiring import open_desk

__all__ = ["Settings", "open_desk"]
