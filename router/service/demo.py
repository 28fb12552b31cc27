"""Where the demonstration scenario lies."""

from __future__ import annotations

from pathlib import Path

import scenarios
from router.kernel.faults import NotFound


def demo_folder() -> Path:
    """Folder of the demonstration scenario, shipped beside the package."""
    folder = Path(scenarios.__file__).resolve().parent / "demo"
    if not (folder / "network.yaml").is_file():
        raise NotFound(f"the demonstration scenario is not at {folder}; expected the project's scenarios folder")
    return folder
