"""What stands on the plate of a 3MF file: part numbers and transforms, without the meshes."""

from __future__ import annotations

import io
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from router.geometry.errors import MeshError
from router.geometry.threemf import CORE, MM_PER_UNIT, _root_part, _run, _safe_parser, _unpack


@dataclass(frozen=True, slots=True, eq=False)
class StandingItem:
    """A build item: its own part number, that of its object, and the transform (4, 3) with the shift in mm."""

    part_number: str
    object_part_number: str
    transform: npt.NDArray[np.float64]


def read_3mf_items(path: Path, data: bytes) -> tuple[StandingItem, ...]:
    """Build items of the root model part, in file order; `path` only names the file in errors.

    Raises
    ------
    MeshError : not a 3MF archive, damaged, unsafe, or an item of an object that does not exist
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            part = _root_part(path, archive)
            content = _unpack(path, archive, part)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, OSError) as error:
        raise MeshError(path, f"an archive that cannot be unpacked ({error})", "a complete 3MF file") from error
    numbers: dict[str, str] = {}
    found: list[tuple[str, str, npt.NDArray[np.float64]]] = []
    scale: list[float] = [1.0]

    def start(name: str, attributes: dict[str, str]) -> None:
        if name == f"{CORE} model":
            unit = attributes.get("unit", "millimeter")
            if unit not in MM_PER_UNIT:
                raise MeshError(path, f"unit {unit!r}", "one of " + ", ".join(MM_PER_UNIT))
            scale[0] = MM_PER_UNIT[unit]
        elif name == f"{CORE} object":
            numbers[attributes["id"]] = attributes.get("partnumber", "")
        elif name == f"{CORE} item":
            values = np.array(attributes.get("transform", "1 0 0 0 1 0 0 0 1 0 0 0").split(), dtype=np.float64)
            found.append((attributes["objectid"], attributes.get("partnumber", ""), values.reshape(4, 3)))

    parser = _safe_parser(path, part)
    parser.StartElementHandler = start
    _run(path, part, parser, content)
    items = []
    for object_id, own, transform in found:
        if object_id not in numbers:
            raise MeshError(path, f"an item of object {object_id} which does not exist", "an object defined before")
        transform[3] *= scale[0]
        items.append(StandingItem(own, numbers[object_id], transform))
    return tuple(items)
