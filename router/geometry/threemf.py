"""Reading 3MF (core specification 1.4, with the production extension's split model parts).

The file is a ZIP archive of XML parts and comes from outside, so it is read with suspicion: sizes are checked before
and while unpacking, a document type declaration (the carrier of entity tricks) ends the reading, and components are
counted before they are multiplied out.
"""

from __future__ import annotations

import io
import posixpath
import zipfile
import zlib
from dataclasses import dataclass, field
from pathlib import Path
from xml.parsers import expat

import numpy as np
import numpy.typing as npt

from router.geometry.errors import MeshError
from router.geometry.stl import MAX_TRIANGLES

MM_PER_UNIT = {
    "micron": 0.001,
    "millimeter": 1.0,
    "centimeter": 10.0,
    "inch": 25.4,
    "foot": 304.8,
    "meter": 1000.0,
}
"""Unit names of 3MF core 1.4.0 with their length in mm."""

MAX_PARTS = 4096
MAX_PART_BYTES = 1_000_000_000
MAX_RATIO = 200
"""Densest packing believed: real coordinate text packs about 5 to 20 fold."""
MAX_NESTING = 64
MAX_PLACEMENTS = 20_000
_UNFOLDED = f"at most {MAX_TRIANGLES} triangles in {MAX_PLACEMENTS} meshes"

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
_MATERIAL = "http://schemas.microsoft.com/3dmanufacturing/material/2015/02"
MODEL_RELATION = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
_UNDERSTOOD = {CORE, _PRODUCTION, _MATERIAL}
_IDENTITY = np.eye(4, 3)

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Key = tuple[str, str]


@dataclass(slots=True)
class _Object:
    coordinates: list[float] = field(default_factory=list)
    corners: list[int] = field(default_factory=list)
    components: list[tuple[Key, Floats]] = field(default_factory=list)


@dataclass(slots=True)
class _Document:
    scale_mm: float = 1.0
    objects: dict[Key, _Object] = field(default_factory=dict)
    items: list[tuple[Key, Floats]] = field(default_factory=list)
    others: set[str] = field(default_factory=set)


def read_3mf(path: Path, data: bytes) -> tuple[Floats, Ints, tuple[int, ...]]:
    """Return vertices (n, 3) in mm, facets (m, 3) and the facet count of each build item, all items in place.

    Raises
    ------
    MeshError : not a 3MF archive, damaged, unsafe, or built on an extension that changes the shape
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            return _read(path, archive)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, OSError) as error:
        raise MeshError(path, f"an archive that cannot be unpacked ({error})", "a complete 3MF file") from error


def _read(path: Path, archive: zipfile.ZipFile) -> tuple[Floats, Ints, tuple[int, ...]]:
    if len(archive.infolist()) > MAX_PARTS:
        raise MeshError(path, f"an archive of {len(archive.infolist())} parts", f"at most {MAX_PARTS}")
    root = _root_part(path, archive)
    document = _Document()
    waiting, done, scale_mm = [root], set[str](), 1.0
    items: list[tuple[Key, Floats]] = []
    while waiting:
        part = waiting.pop()
        if part in done:
            continue
        done.add(part)
        document.items, document.others = [], set()
        _ModelParser(path, part, document).parse(_unpack(path, archive, part))
        if part == root:
            items, scale_mm = document.items, document.scale_mm
        elif document.scale_mm != scale_mm:
            raise MeshError(path, f"part {part} in another unit than the root model", "one unit throughout")
        waiting.extend(sorted(document.others - done))
    if not items:
        raise MeshError(path, "no build item", "at least one item in <build> (only items are output)")
    sizes: dict[Key, tuple[int, int]] = {}
    per_item = tuple(_size(path, document, key, sizes, 0)[0] for key, _ in items)
    if sum(per_item) > MAX_TRIANGLES or sum(sizes[key][1] for key, _ in items) > MAX_PLACEMENTS:
        raise MeshError(path, f"{sum(per_item)} triangles once components are placed", _UNFOLDED)
    pieces: list[tuple[Floats, Ints]] = []
    for key, transform in items:
        if sizes[key][0]:
            _place(path, document, key, transform, pieces, sizes)
    if not pieces:
        raise MeshError(path, "no triangles", "at least one triangle")
    offsets = np.cumsum([0] + [len(vertices) for vertices, _ in pieces[:-1]])
    vertices = np.concatenate([vertices for vertices, _ in pieces]) * scale_mm
    faces = np.concatenate([faces + offset for (_, faces), offset in zip(pieces, offsets, strict=True)])
    return vertices, faces, per_item


def _unpack(path: Path, archive: zipfile.ZipFile, part: str) -> bytes:
    try:
        info = archive.getinfo(part)
    except KeyError:
        raise MeshError(path, f"no part {part!r} in the archive", "every part that is referred to") from None
    limit = min(MAX_PART_BYTES, max(1_000_000, MAX_RATIO * info.compress_size))
    if info.file_size > limit:
        raise MeshError(
            path,
            f"part {part} unpacks from {info.compress_size} to {info.file_size} bytes",
            f"at most {MAX_RATIO}-fold and {MAX_PART_BYTES} bytes (a packing bomb is refused)",
        )
    with archive.open(info) as stream:  # the stated size may lie, so the limit holds while unpacking too
        content = stream.read(limit + 1)
    if len(content) > limit:
        raise MeshError(path, f"part {part} is larger than it states", f"at most {limit} bytes")
    return content


def _root_part(path: Path, archive: zipfile.ZipFile) -> str:
    """Follow the package relation to the model; fall back on the customary place."""
    names = set(archive.namelist())
    found: list[str] = []

    def start(name: str, attributes: dict[str, str]) -> None:
        if name.endswith("Relationship") and attributes.get("Type") == MODEL_RELATION:
            found.append(attributes.get("Target", "").lstrip("/"))

    if "_rels/.rels" in names:
        parser = _safe_parser(path, "_rels/.rels")
        parser.StartElementHandler = start
        _run(path, "_rels/.rels", parser, _unpack(path, archive, "_rels/.rels"))
    for candidate in [*found, "3D/3dmodel.model"]:
        if candidate in names:
            return candidate
    raise MeshError(path, "an archive without a model part", "a 3MF file (3D/3dmodel.model inside)")


def _safe_parser(path: Path, part: str) -> expat.XMLParserType:
    parser = expat.ParserCreate(namespace_separator=" ")

    def refuse(*_: object) -> None:
        raise MeshError(path, f"a document type declaration in {part}", "plain XML without entities")

    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    parser.buffer_text = True
    return parser


def _run(path: Path, part: str, parser: expat.XMLParserType, content: bytes) -> None:
    try:
        parser.Parse(content, True)
    except expat.ExpatError as error:
        raise MeshError(path, f"{part} is not well-formed XML ({error})", "a complete XML document") from error
    except (KeyError, ValueError) as error:
        if isinstance(error, MeshError):
            raise
        line = parser.CurrentLineNumber
        raise MeshError(path, f"{part} line {line}: {error!r}", "the attributes and numbers of 3MF core") from error


class _ModelParser:
    """Collects objects and build items of one model part while the XML streams by."""

    def __init__(self, path: Path, part: str, document: _Document) -> None:
        self._path, self._part, self._document = path, part, document
        self._prefixes: dict[str, str] = {}
        self._current: _Object | None = None

    def parse(self, content: bytes) -> None:
        parser = _safe_parser(self._path, self._part)
        parser.StartNamespaceDeclHandler = self._namespace
        parser.StartElementHandler = self._start
        _run(self._path, self._part, parser, content)

    def _namespace(self, prefix: str | None, uri: str) -> None:
        self._prefixes[prefix or ""] = uri

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        if not name.startswith(CORE):
            return
        current = self._current
        tag = name[len(CORE) + 1 :]
        if tag == "vertex" and current is not None:
            current.coordinates += (float(attributes["x"]), float(attributes["y"]), float(attributes["z"]))
        elif tag == "triangle" and current is not None:
            current.corners += (int(attributes["v1"]), int(attributes["v2"]), int(attributes["v3"]))
            if len(current.corners) > 3 * MAX_TRIANGLES:
                raise MeshError(self._path, "too many triangles", f"at most {MAX_TRIANGLES}")
        elif tag == "object":
            self._current = _Object()
            key = (self._part, attributes["id"])
            if key in self._document.objects:
                raise MeshError(self._path, f"object id {attributes['id']} used twice", "unique object ids")
            self._document.objects[key] = self._current
        elif tag == "component" and current is not None:
            current.components.append(self._reference(attributes))
        elif tag == "item":
            self._document.items.append(self._reference(attributes))
        elif tag == "model":
            self._model(attributes)

    def _model(self, attributes: dict[str, str]) -> None:
        unit = attributes.get("unit", "millimeter")
        if unit not in MM_PER_UNIT:
            raise MeshError(self._path, f"unit {unit!r}", "one of " + ", ".join(MM_PER_UNIT))
        self._document.scale_mm = MM_PER_UNIT[unit]
        for prefix in attributes.get("requiredextensions", "").split():
            uri = self._prefixes.get(prefix, prefix)
            if uri not in _UNDERSTOOD:
                raise MeshError(self._path, f"required extension {uri}", "core, production and material parts only")

    def _reference(self, attributes: dict[str, str]) -> tuple[Key, Floats]:
        part = self._part
        other = attributes.get(f"{_PRODUCTION} path")
        if other:
            part = posixpath.normpath(other).lstrip("/")
            self._document.others.add(part)
        numbers = attributes.get("transform", "").split()
        if not numbers:
            return (part, attributes["objectid"]), _IDENTITY
        transform = np.array(numbers, dtype=np.float64)
        if transform.size != 12:
            raise MeshError(self._path, f"a transform of {transform.size} numbers", "twelve numbers")
        return (part, attributes["objectid"]), transform.reshape(4, 3)


def _object(path: Path, document: _Document, key: Key, depth: int) -> _Object:
    if key not in document.objects:
        raise MeshError(
            path, f"a reference to object {key[1]} which does not exist", "an object defined before its use"
        )
    if depth > MAX_NESTING:
        raise MeshError(path, f"components nested deeper than {MAX_NESTING}", "components without cycles")
    return document.objects[key]


def _size(path: Path, document: _Document, key: Key, sizes: dict[Key, tuple[int, int]], depth: int) -> tuple[int, int]:
    """Triangles and meshes an object unfolds to; remembered, so that doubling components cost nothing to count."""
    if key not in sizes:
        item = _object(path, document, key, depth)
        triangles, placements = len(item.corners) // 3, 1
        for child, _ in item.components:
            inner = _size(path, document, child, sizes, depth + 1)
            triangles, placements = triangles + inner[0], placements + inner[1]
        sizes[key] = (triangles, placements)
    return sizes[key]


def _place(
    path: Path,
    document: _Document,
    key: Key,
    transform: Floats,
    pieces: list[tuple[Floats, Ints]],
    sizes: dict[Key, tuple[int, int]],
) -> None:
    item = document.objects[key]
    if item.corners:
        local = np.array(item.coordinates, dtype=np.float64).reshape(-1, 3)
        faces = np.array(item.corners, dtype=np.int64).reshape(-1, 3)
        if faces.min() < 0 or faces.max() >= len(local):
            raise MeshError(path, f"object {key[1]} points at a vertex that does not exist", f"0 to {len(local) - 1}")
        if np.linalg.det(transform[:3]) < 0:
            faces = faces[:, ::-1]  # a mirroring transform turns the surface inside out
        pieces.append((local @ transform[:3] + transform[3], faces))
    for child, inner in item.components:
        if sizes[child][0]:  # an object that unfolds to nothing must not be unfolded
            product = np.vstack([inner[:3] @ transform[:3], inner[3] @ transform[:3] + transform[3]])
            _place(path, document, child, product, pieces, sizes)
