"""Runs the notebooks from top to bottom; ``python tests/support/run_notebooks.py --write`` keeps their outputs."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import nbformat
from nbclient import NotebookClient

FOLDER = Path(__file__).resolve().parents[2] / "notebooks"


def notebooks() -> list[Path]:
    """The notebooks in the order of their numbers."""
    return sorted(FOLDER.glob("*.ipynb"))


def run(path: Path, seconds_a_cell: int = 120) -> Any:
    """The notebook with the outputs of a fresh kernel. Raises CellExecutionError where a cell fails."""
    notebook = nbformat.read(path, as_version=4)
    NotebookClient(notebook, timeout=seconds_a_cell, resources={"metadata": {"path": str(FOLDER)}}).execute()
    for cell in notebook.cells:
        # Times of execution differ from run to run and tell a reader nothing.
        cell.metadata.pop("execution", None)
    return notebook


def printed(notebook: Any) -> str:
    """All text that its cells print."""
    return "".join(o.text for c in notebook.cells for o in c.get("outputs", []) if o.output_type == "stream")


if __name__ == "__main__":
    for name in notebooks():
        made = run(name)
        if "--write" in sys.argv:
            nbformat.write(made, name)
        print(name.name, len(nbformat.writes(made)), "bytes")  # noqa: T201
