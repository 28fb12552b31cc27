"""Look for faults in a scenario folder."""

from __future__ import annotations

from pathlib import Path

from router.formats import look_at_scenario
from router.kernel.faults import Fault


def check_folder(folder: Path, cache_dir: Path | None = None) -> tuple[tuple[Fault, ...], tuple[str, ...]]:
    """Every fault of the folder at once, none when it can be planned; and remarks on models and lines worth a look."""
    return look_at_scenario(folder, cache_dir)
