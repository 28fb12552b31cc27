"""Look for faults in a scenario folder."""

from __future__ import annotations

from pathlib import Path

from router.formats import check_scenario
from router.kernel.faults import Fault


def check_folder(folder: Path, cache_dir: Path | None = None) -> tuple[Fault, ...]:
    """Every fault of the folder at once; empty when it can be planned."""
    return check_scenario(folder, cache_dir)
