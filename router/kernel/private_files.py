"""Files and folders for nobody but the user the program runs as: order books are no business of others here."""

from __future__ import annotations

import os
from pathlib import Path

FILE_MODE, FOLDER_MODE = 0o600, 0o700
KEEP_FROM_OTHERS = 0o077
"""The umask of a process that serves: what libraries write, too."""


def for_owner_only(path: str, flags: int) -> int:
    """To be given to ``open`` as its ``opener``."""
    return os.open(path, flags, FILE_MODE)


def make_folder(folder: Path) -> None:
    """Make a folder and those above it where they are not there; one that is there stays as it is."""
    for place in reversed([folder, *folder.parents]):
        if not place.is_dir():
            place.mkdir(FOLDER_MODE, exist_ok=True)
