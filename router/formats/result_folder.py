"""Writes and reads a result folder; all of it or nothing."""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

from router.domain.plan import Plan
from router.domain.result import Result
from router.formats.plan_file import PLAN_FILE, RESULT_FILE, plan_from_json, result_from_json
from router.kernel.faults import Fault, FaultyInput

RESULT_NAMES = frozenset(
    (PLAN_FILE, RESULT_FILE, "report.html", "kpis.csv", "options.csv", "plates.csv", "schedule.csv", "shipments.csv")
)
"""What a result folder holds; a folder with anything else in it is somebody's."""


def write_result(folder: Path, files: Mapping[str, str | bytes]) -> None:
    """Write ``files``, content by relative name, as the whole of ``folder``. Text is written in UTF-8.

    ``result.json`` must be among them: it marks the folder as a result. The files are made beside the folder and moved
    there at the end, so a reader meets the old result or the new one, never a mixture. An existing folder is replaced
    only if it holds nothing, or an earlier result and nothing else.

    Raises FaultyInput if something else is in the way, ValueError for a name that leads out of the folder or a missing
    ``result.json``, OSError if the disk refuses; in each case the old state stands.
    """
    if RESULT_FILE not in files:
        raise ValueError(f"a result folder needs {RESULT_FILE}")
    for name in files:
        path = Path(name)
        if not path.parts or path.is_absolute() or ".." in path.parts:
            raise ValueError(f"{name!r} is no name inside the result folder")
    refuse_foreign(folder, files)
    folder.parent.mkdir(parents=True, exist_ok=True)
    fresh = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", suffix=".part", dir=folder.parent))
    try:
        for name, content in files.items():
            path = fresh / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content.encode() if isinstance(content, str) else content)
        # A temporary folder is private to its maker; a result is not.
        fresh.chmod(0o755)
        _swap(fresh, folder)
    except BaseException:
        shutil.rmtree(fresh, ignore_errors=True)
        raise


def refuse_foreign(folder: Path, names: Iterable[str] = ()) -> None:
    """Raises FaultyInput if ``folder`` is in use for anything but an earlier result; worth asking before a long run.

    ``names`` (relative) count as parts of a result beside the usual ones.
    """
    refuse_unwritable(folder.absolute().parent, str(folder))
    if not folder.exists() and not folder.is_symlink():
        return
    wanted = "a new name, an empty folder or the folder of an earlier result"
    if folder.is_symlink():
        # The folder is replaced whole, which a link would not live through.
        seen = "a link to a folder" if folder.is_dir() else "a link"
        raise FaultyInput([Fault(str(folder), "", "", seen, f"the folder itself, or {wanted}")])
    if not folder.is_dir():
        raise FaultyInput([Fault(str(folder), "", "", "something that is not a folder", wanted)])
    if any(folder.iterdir()) and not (folder / RESULT_FILE).is_file():
        raise FaultyInput([Fault(str(folder), "", "", f"a folder of other things, without {RESULT_FILE}", wanted)])
    if any(folder.iterdir()) and not _is_ours(folder / RESULT_FILE):
        seen = f"a folder whose {RESULT_FILE} platewright has not written"
        raise FaultyInput([Fault(str(folder), "", "", seen, wanted)])
    ours = RESULT_NAMES | {Path(name).parts[0] for name in names}
    strange = sorted(entry.name for entry in folder.iterdir() if entry.name not in ours)
    if strange:
        shown = ", ".join(strange[:5]) + (f" and {len(strange) - 5} more" if len(strange) > 5 else "")
        raise FaultyInput(
            [Fault(str(folder), "", "", f"an earlier result with other things beside it: {shown}", wanted)]
        )


_OUR_MARK = re.compile(rb'\{\s*"format":\s*"platewright ')


def _is_ours(file: Path) -> bool:
    """Whether a ``result.json`` says so in its first words; the name alone is anybody's."""
    try:
        with file.open("rb") as stream:
            return _OUR_MARK.match(stream.read(100)) is not None
    except OSError:
        return False


def refuse_others(folder: Path, is_ours: Callable[[str], bool], earlier: str) -> None:
    """Raises FaultyInput if files kept as they come cannot be kept in ``folder``, or other things are in it.

    ``is_ours`` says of a name whether earlier work of that kind may have left it; ``earlier`` names that work.
    """
    wanted = f"a new folder, or one of {earlier}"
    if folder.exists() and not folder.is_dir():
        raise FaultyInput([Fault(str(folder), "", "", "a file", wanted)])
    strange = sorted(x.name for x in folder.iterdir() if not is_ours(x.name)) if folder.is_dir() else []
    if strange:
        raise FaultyInput([Fault(str(folder), "", "", f"{strange[0]} in it", wanted)])
    refuse_unwritable(folder)


def refuse_unwritable(folder: Path, named: str | None = None) -> None:
    """Raises FaultyInput if nothing can be made in ``folder``, or in what there is above it; tried, not guessed.

    ``named``: what the user asked for, where that is not ``folder`` itself.
    """
    above = folder.absolute()
    while not above.exists():
        above = above.parent
    try:
        if not above.is_dir():
            raise NotADirectoryError
        Path(tempfile.mkdtemp(prefix=".", suffix=".try", dir=above)).rmdir()
    except OSError as refused:
        seen = f"{above}, which is no folder to write in"
        fault = Fault(named or str(folder), "", "", seen, "a place where a folder can be made")
        raise FaultyInput([fault]) from refused


def _swap(fresh: Path, folder: Path) -> None:
    """Put ``fresh`` in the place of ``folder``; the old one comes back if that fails."""
    if not folder.exists():
        fresh.replace(folder)
        return
    old = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", suffix=".old", dir=folder.parent))
    folder.replace(old / folder.name)
    try:
        fresh.replace(folder)
    except BaseException:
        (old / folder.name).replace(folder)
        old.rmdir()
        raise
    shutil.rmtree(old, ignore_errors=True)


def read_result(folder: Path) -> Result:
    """The result of a folder. Raises FaultyInput with every fault."""
    return result_from_json(_bytes(folder / RESULT_FILE), RESULT_FILE)


def read_plan(path: Path) -> Plan:
    """The plan of a file, or of ``plan.json`` in a folder. Raises FaultyInput with every fault."""
    file = path / PLAN_FILE if path.is_dir() else path
    return plan_from_json(_bytes(file), file.name)


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as wrong:
        seen = f"no readable file ({wrong.strerror or wrong})"
        raise FaultyInput([Fault(str(path), "", "", seen, "a file of an earlier run")]) from wrong
