"""Look for faults in a scenario folder."""

from __future__ import annotations

from itertools import islice
from pathlib import Path

from router.formats import look_at_scenario
from router.kernel.faults import Fault
from router.service.archive import left_by_a_system, place_in_folder

_MOST_FILES = 10_000
"""So many files of a folder are looked at; a scenario has fewer."""
_MOST_NAMED = 5


def check_folder(folder: Path, cache_dir: Path | None = None) -> tuple[tuple[Fault, ...], tuple[str, ...]]:
    """Every fault of the folder at once, none when it can be planned; and remarks on what is worth a look in it."""
    faults, remarks = look_at_scenario(folder, cache_dir)
    return faults, remarks + _strangers(folder)


def _strangers(folder: Path) -> tuple[str, ...]:
    """Files that a plan passes by, but that the import of the folder as a zip refuses."""
    files = (p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    strange = sorted(f for f in islice(files, _MOST_FILES) if not left_by_a_system(f) and place_in_folder(f) != f)
    if not strange:
        return ()
    named = ", ".join(strange[:_MOST_NAMED])
    more = f" and {len(strange) - _MOST_NAMED} more" if len(strange) > _MOST_NAMED else ""
    what = "a file that does not belong" if len(strange) == 1 else "files that do not belong"
    return (f"{named}{more}: {what} in a scenario folder; the import of the folder as a zip refuses it",)
