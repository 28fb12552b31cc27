"""The results of a sweep on disk: one JSON line each, written through before the next task is looked at.

A process that dies while it writes leaves at most one torn line at the end. It is cut off when the file is taken up
again, and its task is done again; nothing before it is touched.
"""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

try:
    import fcntl
except ImportError:  # no such locks on this platform: two sweeps on one file are then the caller's care
    fcntl = None  # type: ignore[assignment]

from router.kernel.faults import Conflict


@dataclass(frozen=True, slots=True)
class Entry:
    """One task's result: a value of JSON, or the reason why there is none (``failed`` is then not empty)."""

    digest: str
    name: str
    value: Any
    failed: str
    seconds: float
    cpu_s: float
    worker: str


def read_entries(path: Path) -> dict[str, Entry]:
    """Entries by digest in the order of the file, the later of two of a task; none when there is no file.

    A torn last line, one that does not end, is left out. Raises ValueError with the line for any other damage.
    """
    return {entry.digest: entry for entry in _parse(path)[0]}


def _parse(path: Path) -> tuple[list[Entry], int]:
    """All entries, and the number of bytes they take."""
    data = path.read_bytes() if path.exists() else b""
    entries: list[Entry] = []
    whole = 0
    lines = data.splitlines(keepends=True)
    for number, line in enumerate(lines, 1):
        try:
            if not line.endswith(b"\n"):
                raise ValueError("the line does not end")
            entries.append(Entry(**json.loads(line)))
        except (ValueError, TypeError) as damage:
            if number == len(lines) and not line.endswith(b"\n"):
                break
            raise ValueError(f"{path}, line {number}: no result of a sweep ({damage}); mend or remove it") from damage
        whole += len(line)
    return entries, whole


class Ledger:
    """A file of results opened for adding; one sweep at a time may hold it. A context manager."""

    def __init__(self, path: Path) -> None:
        """Open or begin the file. Raises ValueError for a damaged file, Conflict when another sweep holds it."""
        path.parent.mkdir(parents=True, exist_ok=True)
        self.path = path
        is_new = not path.exists()
        self._file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o644)
        try:
            if fcntl is not None:
                fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            entries, self._length = _parse(path)
            os.ftruncate(self._file, self._length)
            if is_new:
                _sync_folder(path.parent)
        except BlockingIOError as held:
            os.close(self._file)
            raise Conflict(f"another sweep is writing to {path}: wait for it, or name another folder") from held
        except BaseException:
            os.close(self._file)
            raise
        self.entries = {entry.digest: entry for entry in entries}

    def add(self, entry: Entry) -> None:
        """Write one entry through to the disk. A failed write leaves the file as it was."""
        line = json.dumps(asdict(entry), allow_nan=False).encode() + b"\n"
        try:
            left = memoryview(line)
            while left:
                left = left[os.write(self._file, left) :]
            os.fsync(self._file)
        except OSError:
            os.ftruncate(self._file, self._length)
            raise
        self._length += len(line)
        self.entries[entry.digest] = entry

    def close(self) -> None:
        """Let go of the file."""
        os.close(self._file)

    def __enter__(self) -> Ledger:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
