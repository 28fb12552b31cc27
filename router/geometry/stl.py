"""Reading STL, binary and text, into a bare list of triangle corners."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import numpy.typing as npt

from router.geometry.errors import MeshError

MAX_TRIANGLES = 5_000_000

_HEADER_BYTES = 84
_TRIANGLE_BYTES = 50
_NUMBER = rb"[^\s]+"
_CORNER = re.compile(rb"\bvertex\s+(" + _NUMBER + rb")\s+(" + _NUMBER + rb")\s+(" + _NUMBER + rb")", re.IGNORECASE)


def read_stl(path: Path, data: bytes) -> npt.NDArray[np.float64]:
    """Return the triangle corners, shape (3 n, 3), in the file's own unit.

    Binary layout: 80 bytes of free text, a 32-bit count n, then 50 bytes a triangle, so 84 + 50 n in all
    (facts on standards, section "STL binary"). A file whose length fits that rule is binary whatever its first word,
    because many binary files begin with "solid".

    Raises
    ------
    MeshError : empty, cut short, too large or not STL at all
    """
    if not data:
        raise MeshError(path, "an empty file", "an STL file with at least one triangle")
    count = int.from_bytes(data[80:84], "little") if len(data) >= _HEADER_BYTES else -1
    if count >= 0 and len(data) == _HEADER_BYTES + _TRIANGLE_BYTES * count:
        return _binary(path, data, count)
    if data[:512].lstrip()[:5].lower() == b"solid" and b"\0" not in data[:512]:
        return _text(path, data)
    if count >= 0 and len(data) > _HEADER_BYTES + _TRIANGLE_BYTES * count > _HEADER_BYTES:
        return _binary(path, data, count)  # some writers append a comment block
    if count < 0:
        raise MeshError(path, f"{len(data)} bytes without the word 'solid' in front", "an STL file")
    raise MeshError(
        path,
        f"{len(data)} bytes for a stated count of {count} triangles",
        f"{_HEADER_BYTES + _TRIANGLE_BYTES * count} bytes (84 + 50 a triangle): the file is cut short or not STL",
    )


def _binary(path: Path, data: bytes, count: int) -> npt.NDArray[np.float64]:
    if count > MAX_TRIANGLES:
        raise MeshError(path, f"{count} triangles", f"at most {MAX_TRIANGLES}")
    records = np.frombuffer(data, dtype=np.uint8, count=_TRIANGLE_BYTES * count, offset=_HEADER_BYTES)
    corners = records.reshape(count, _TRIANGLE_BYTES)[:, 12:48]  # skip the stored normal: it is often wrong
    return np.ascontiguousarray(corners).view("<f4").reshape(-1, 3).astype(np.float64)


def _text(path: Path, data: bytes) -> npt.NDArray[np.float64]:
    tail = data.rstrip().rsplit(b"\n", 1)[-1].lower()
    if b"endsolid" not in tail:
        raise MeshError(path, "text STL without a closing 'endsolid' line", "a complete file: this one is cut short")
    found = _CORNER.findall(data)
    facets = len(re.findall(rb"\bendfacet\b", data, re.IGNORECASE))
    if len(found) != 3 * facets:
        raise MeshError(path, f"{len(found)} vertex lines for {facets} facets", "three vertex lines for each facet")
    if facets > MAX_TRIANGLES:
        raise MeshError(path, f"{facets} triangles", f"at most {MAX_TRIANGLES}")
    try:
        return np.array(found, dtype=np.bytes_).astype(np.float64).reshape(-1, 3)
    except ValueError as error:
        raise MeshError(path, f"a coordinate that is not a number ({error})", "decimal numbers") from error
