"""Model files that no order line names: a folder is planned without them, but a book takes none that is broken."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

from router.formats.model_order import MODEL_ENDINGS
from router.geometry import MeshError, measure, unusable

_TELL = "no line that can be read orders it, and the import of the folder refuses it"


def unused_model_remarks(
    models: Path, ordered: Collection[str], overhang_deg: float, cache_dir: Path | None
) -> tuple[str, ...]:
    """One sentence for every file of the folder ``models`` that is not ordered and cannot be built from."""
    said = []
    for path in sorted(models.iterdir()) if models.is_dir() else ():
        if path.name in ordered or path.name.startswith(".") or path.is_symlink() or not path.is_file():
            continue
        wrong = _wrong_with(path, overhang_deg, cache_dir)
        if wrong is not None:
            said.append(f"{models.name}/{path.name}: {wrong}; {_TELL}")
    return tuple(said)


def _wrong_with(path: Path, overhang_deg: float, cache_dir: Path | None) -> str | None:
    if path.suffix.lower() not in MODEL_ENDINGS:
        return "another kind of file than STL or 3MF"
    try:
        bad = unusable(measure(path, "mm", overhang_deg, cache_dir))
    except MeshError as wrong:
        return wrong.found
    except OSError as wrong:
        return f"no readable file ({wrong.strerror or wrong})"
    return None if bad is None else bad.found
