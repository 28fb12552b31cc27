"""Writing 3MF (core specification 1.4.0): mesh objects and build items with transforms, unit millimetre.

Equal input gives equal bytes. The reader beside it is `router.geometry.threemf`.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

import numpy as np
import numpy.typing as npt

from router.geometry.threemf import CORE, MODEL_RELATION

IDENTITY = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0)
"""Twelve numbers of a transform: a row vector is multiplied by the first nine (row after row), the last three shift."""

Transform = tuple[float, float, float, float, float, float, float, float, float, float, float, float]

_TRANSFORM_DIGITS = 15

_CONTENT_TYPES = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>'
    "</Types>"
)
_RELATIONSHIPS = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    f'<Relationship Target="/3D/3dmodel.model" Id="rel0" Type="{MODEL_RELATION}"/>'
    "</Relationships>"
)


@dataclass(frozen=True, slots=True, eq=False)
class MeshObject:
    """A mesh to place: vertices (n, 3) mm, facets (m, 3) counter-clockwise from outside.

    ``closed`` False makes it a ``surface`` object: the specification wants a ``model`` to be a closed solid.
    """

    vertices: npt.NDArray[np.floating]
    facets: npt.NDArray[np.integer]
    name: str = ""
    part_number: str = ""
    closed: bool = True


@dataclass(frozen=True, slots=True)
class BuildItem:
    """One object of the list put on the plate."""

    number: int
    transform: Transform = IDENTITY
    part_number: str = ""


def write_3mf(
    objects: Sequence[MeshObject], items: Sequence[BuildItem], metadata: Mapping[str, str], digits: int = 10
) -> bytes:
    """The package as bytes.

    Parameters
    ----------
    objects : written once each, however many items use them
    items : what is on the plate
    metadata : names the core specification knows (Title, Description, Application, ...) and their text
    digits : significant digits of the vertices; 10 keeps positions up to 1 m to 0.1 micrometre and better

    Raises
    ------
    ValueError : no item, an item of an object that is not there, a facet with a repeated corner, or a coordinate
        that is not finite
    """
    if not items:
        raise ValueError("a 3MF file needs at least one build item")
    for item in items:
        if not 0 <= item.number < len(objects):
            raise ValueError(f"build item of object {item.number}, {len(objects)} are given")
    model = "".join(
        (
            '<?xml version="1.0" encoding="UTF-8"?>\n',
            f'<model unit="millimeter" xml:lang="en-US" xmlns="{CORE}">',
            *(f'<metadata name="{name}">{escape(text)}</metadata>' for name, text in metadata.items()),
            "<resources>",
            *(_object(number, item, digits) for number, item in enumerate(objects, start=1)),
            "</resources><build>",
            *(_item(item) for item in items),
            "</build></model>",
        )
    )
    package = io.BytesIO()
    with zipfile.ZipFile(package, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name, text in (
            ("[Content_Types].xml", _CONTENT_TYPES),
            ("_rels/.rels", _RELATIONSHIPS),
            ("3D/3dmodel.model", model),
        ):
            # A fixed date keeps the bytes equal from run to run.
            entry = zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = 3
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, text)
    return package.getvalue()


def _object(number: int, item: MeshObject, digits: int) -> str:
    a, b, c = item.facets.T
    if len(item.facets) == 0 or ((a == b) | (b == c) | (c == a)).any():
        raise ValueError(f"object {number} has no facets or a facet with a repeated corner")
    if not np.isfinite(item.vertices).all():
        raise ValueError(f"object {number} has a coordinate that is not finite")
    form = f".{digits}g"
    vertices = "".join(
        f'<vertex x="{x:{form}}" y="{y:{form}}" z="{z:{form}}"/>' for x, y, z in (item.vertices + 0.0).tolist()
    )
    triangles = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in item.facets.tolist())
    kind = "model" if item.closed else "surface"
    return (
        f'<object id="{number}" type="{kind}"{_attribute("partnumber", item.part_number)}'
        f"{_attribute('name', item.name)}><mesh><vertices>{vertices}</vertices>"
        f"<triangles>{triangles}</triangles></mesh></object>"
    )


def _item(item: BuildItem) -> str:
    numbers = " ".join(f"{value + 0.0:.{_TRANSFORM_DIGITS}g}" for value in item.transform)
    transform = "" if item.transform == IDENTITY else numbers
    part = _attribute("partnumber", item.part_number)
    return f'<item objectid="{item.number + 1}"{_attribute("transform", transform)}{part}/>'


def _attribute(name: str, text: str) -> str:
    return f" {name}={quoteattr(text)}" if text else ""
