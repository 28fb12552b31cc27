"""The one error this room raises: a mesh file that cannot be measured."""

from __future__ import annotations

from pathlib import Path


class MeshError(ValueError):
    """A mesh file is empty, damaged, unsafe or not a mesh.

    Attributes
    ----------
    path : the file as the caller named it
    found : what was met in it
    expected : what would have been right
    """

    def __init__(self, path: Path, found: str, expected: str) -> None:
        super().__init__(f"{path}: {found}; expected {expected}")
        self.path = path
        self.found = found
        self.expected = expected

    def __reduce__(self) -> tuple[type[MeshError], tuple[Path, str, str]]:
        """Keep all three attributes when the error crosses a process boundary."""
        return (MeshError, (self.path, self.found, self.expected))
