"""A scenario folder as one zip file, read with limits and never unpacked by name."""

from __future__ import annotations

import io
import zipfile
import zlib
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import PurePosixPath
from typing import IO

from router.formats.network_file import NETWORK_FILE
from router.formats.scenario_folder import MODEL_FOLDER, ORDER_FILES
from router.kernel.faults import Fault, FaultyInput, TooMuch
from router.service.contents import Contents, Sent, opened
from router.service.desk import Limits

_PIECE_BYTES = 1_000_000
_STAMP = (1980, 1, 1, 0, 0, 0)


def read_archive(sent: Sent, name: str, limits: Limits) -> Contents:
    """Files of a zipped scenario folder by their place in it: ``network.yaml``, ``orders.csv``, ``models/x.stl``.

    A single folder around them is left out, and so is what systems leave in folders by themselves. Everything is
    unpacked once, to see that it can be, and then again when it is asked for. Raises FaultyInput or TooMuch; other
    files that do not belong are faults.
    """
    try:
        return _read(zipfile.ZipFile(opened(sent)), name, limits)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError, OSError) as wrong:
        raise FaultyInput(
            [Fault(name, "", "", f"no readable zip file ({str(wrong)[:80]})", "a zipped folder")]
        ) from wrong


def _read(archive: zipfile.ZipFile, name: str, limits: Limits) -> Contents:
    entries = [e for e in archive.infolist() if not e.is_dir()]
    if len(entries) > limits.most_archive_entries:
        raise TooMuch(f"{name}: {len(entries)} files; at most {limits.most_archive_entries}")
    if sum(e.file_size for e in entries) > limits.most_unpacked_bytes:
        raise TooMuch(f"{name}: more than {limits.most_unpacked_bytes} bytes unpacked")
    found: dict[str, Callable[[], bytes]] = {}
    faults: list[Fault] = []
    left = limits.most_unpacked_bytes
    places = {e: place_in_folder(e.filename) for e in entries if not left_by_a_system(e.filename)}
    for entry, place in places.items():
        if place is None:
            want = f"{NETWORK_FILE}, {' or '.join(ORDER_FILES)}, {MODEL_FOLDER}/ with model files, nothing else"
            faults.append(Fault(name, entry.filename[:120], "", "a file that does not belong", want))
            continue
        if place in found:
            faults.append(Fault(name, place, "", "the file a second time", "every file once"))
            continue
        with archive.open(entry) as stream:
            # The size in the directory is what the sender says; what comes out is counted.
            while piece := stream.read(_PIECE_BYTES):
                left -= len(piece)
                if left < 0:
                    raise TooMuch(f"{name}: more than {limits.most_unpacked_bytes} bytes unpacked")
        found[place] = partial(archive.read, entry)
    if faults:
        raise FaultyInput(faults)
    return Contents(found)


_BY_SYSTEMS = frozenset((".ds_store", "thumbs.db", "desktop.ini"))
_FOLDER_BY_A_SYSTEM = "__MACOSX"


def left_by_a_system(path: str) -> bool:
    """Whether nobody put the file there: views and thumbnails of folders, and what goes with files of a Mac."""
    parts = PurePosixPath(path.replace("\\", "/")).parts
    if not parts:
        return False
    return _FOLDER_BY_A_SYSTEM in parts[:-1] or parts[-1].casefold() in _BY_SYSTEMS or parts[-1].startswith("._")


def place_in_folder(path: str) -> str | None:
    """Where a file belongs in a scenario folder; None when nowhere."""
    parts = PurePosixPath(path.replace("\\", "/")).parts
    if not parts or parts[0] == "/" or any(p in ("..", ".") or ":" in p or "\0" in p for p in parts):
        return None
    for skip in (0, 1):
        rest = parts[skip:]
        if len(rest) == 1 and rest[0] in (NETWORK_FILE, *ORDER_FILES):
            return rest[0]
        if len(rest) == 2 and rest[0] == MODEL_FOLDER and not rest[1].startswith("."):
            return "/".join(rest)
    return None


def write_archive(files: Mapping[str, bytes]) -> bytes:
    """A zip file of these files; equal contents give equal bytes."""
    out = io.BytesIO()
    write_archive_to(out, files)
    return out.getvalue()


def write_archive_to(out: IO[bytes], files: Mapping[str, bytes]) -> None:
    """The same into a file; of ``Contents`` one is in memory at a time."""
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for place in sorted(files):
            archive.writestr(zipfile.ZipInfo(place, _STAMP), files[place], zipfile.ZIP_DEFLATED)


def read_own_archive(raw: bytes) -> Contents:
    """Files of a zip that ``write_archive`` made."""
    archive = zipfile.ZipFile(io.BytesIO(raw))
    return Contents({e.filename: partial(archive.read, e) for e in archive.infolist()})
