"""Files by name whose contents are read when they are asked for, so that an import never lies in memory whole."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import BinaryIO

Sent = bytes | BinaryIO
"""What was sent: bytes, or a file that is open at least as long as it is worked with."""


class Contents(Mapping[str, bytes]):
    """A mapping that reads a file anew at every access and remembers none."""

    def __init__(self, readers: Mapping[str, Callable[[], bytes]] | None = None) -> None:
        self._readers = dict(readers or {})

    def __getitem__(self, name: str) -> bytes:
        return self._readers[name]()

    def __contains__(self, name: object) -> bool:
        return name in self._readers  # without reading it

    def __iter__(self) -> Iterator[str]:
        return iter(self._readers)

    def __len__(self) -> int:
        return len(self._readers)

    def under(self, folder: str) -> Contents:
        """Files of one folder by their names in it."""
        return Contents({n.split("/", 1)[1]: r for n, r in self._readers.items() if n.startswith(f"{folder}/")})

    def into(self, folder: str) -> Contents:
        """The same files inside a folder."""
        return Contents({f"{folder}/{n}": r for n, r in self._readers.items()})

    def only(self, names: Iterable[str]) -> Contents:
        """Some of the files."""
        return Contents({n: self._readers[n] for n in names})

    def __or__(self, other: Contents) -> Contents:
        return Contents(self._readers | other._readers)


def of_bytes(files: Mapping[str, bytes]) -> Contents:
    """Small files that are in memory anyway."""
    return Contents({name: partial(bytes, content) for name, content in files.items()})


def of_paths(files: Mapping[str, Path]) -> Contents:
    """Files of this machine."""
    return Contents({name: path.read_bytes for name, path in files.items()})


def of_sent(name: str, sent: Sent) -> Contents:
    """One file that was sent."""
    return Contents({name: partial(_whole, opened(sent))})


def opened(sent: Sent) -> BinaryIO:
    """What was sent as a file."""
    return io.BytesIO(sent) if isinstance(sent, bytes) else sent


def size_of(sent: Sent) -> int:
    """Bytes of what was sent."""
    return len(sent) if isinstance(sent, bytes) else sent.seek(0, io.SEEK_END)


def _whole(file: BinaryIO) -> bytes:
    file.seek(0)
    return file.read()
