"""What is known of a part once its mesh has been measured: values only, and their JSON form."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

Ring = tuple[tuple[float, float], ...]
"""A closed ring in mm; the first vertex is not repeated at the end."""

Piece = tuple[Ring, tuple[Ring, ...]]
"""One outer ring (counter-clockwise) and its holes (clockwise)."""

Matrix = tuple[float, float, float, float, float, float, float, float, float]
"""A 3 x 3 rotation, row after row."""


@dataclass(frozen=True, slots=True)
class Footprint:
    """The shadow a part throws on the plate, seen from above.

    Attributes
    ----------
    polygons : (outer, holes) for each separate piece, in mm; the bounding box starts at (0, 0). The outline is
        simplified *outward only*: the true shadow lies inside it, and it is at most slightly larger
    area_mm2 : area of the true shadow, measured before its outline was simplified
    width_mm, depth_mm : bounding box of the shadow along x and y
    """

    polygons: tuple[Piece, ...]
    area_mm2: float
    width_mm: float
    depth_mm: float


@dataclass(frozen=True, slots=True)
class Orientation:
    """One way to stand a part on the plate.

    Attributes
    ----------
    key : "a", "b", ...; "a" is always the part as modelled
    name : plain English
    matrix : rotation applied to model coordinates, row after row; afterwards the part is shifted down to z = 0
    height_mm : extent along z after the rotation
    footprint : shadow on the plate after the rotation
    overhang_area_mm2 : true area of the down-facing facets flatter than the overhang angle, without those that rest
        on the plate
    support_volume_mm3 : bulk volume between those facets and the plate or the part's own surface below them
    """

    key: str
    name: str
    matrix: Matrix
    height_mm: float
    footprint: Footprint
    overhang_area_mm2: float
    support_volume_mm3: float


@dataclass(frozen=True, slots=True)
class PartFacts:
    """Everything later steps need of a part's shape.

    Attributes
    ----------
    content_hash : SHA-256 of file bytes, unit, overhang angle and measuring version
    closed : every edge is shared by exactly two facets that agree on which side is outside
    volume_mm3, area_mm2, bbox_mm : of the part as modelled
    triangles : facets with three different corners
    body_count : separate solids (connected shells with positive volume)
    closed_hollows : cavities without a way out for the powder (shells with negative volume inside a solid)
    orientations : three or more; the first is the part as modelled
    notes : remarks a person should read before relying on the figures
    """

    content_hash: str
    closed: bool
    volume_mm3: float
    area_mm2: float
    bbox_mm: tuple[float, float, float]
    triangles: int
    body_count: int
    closed_hollows: int
    orientations: tuple[Orientation, ...]
    notes: tuple[str, ...]


def facts_to_json(facts: PartFacts) -> str:
    """Write part facts as JSON text; `facts_from_json` gives back an equal value to the last bit.

    Raises
    ------
    ValueError : a figure is not a finite number
    """
    return json.dumps(
        {
            "content_hash": facts.content_hash,
            "closed": facts.closed,
            "volume_mm3": facts.volume_mm3,
            "area_mm2": facts.area_mm2,
            "bbox_mm": facts.bbox_mm,
            "triangles": facts.triangles,
            "body_count": facts.body_count,
            "closed_hollows": facts.closed_hollows,
            "notes": facts.notes,
            "orientations": [
                {
                    "key": item.key,
                    "name": item.name,
                    "matrix": item.matrix,
                    "height_mm": item.height_mm,
                    "overhang_area_mm2": item.overhang_area_mm2,
                    "support_volume_mm3": item.support_volume_mm3,
                    "footprint": {
                        "area_mm2": item.footprint.area_mm2,
                        "width_mm": item.footprint.width_mm,
                        "depth_mm": item.footprint.depth_mm,
                        "polygons": item.footprint.polygons,
                    },
                }
                for item in facts.orientations
            ],
        },
        allow_nan=False,
        separators=(",", ":"),
    )


def facts_from_json(text: str) -> PartFacts:
    """Read part facts written by `facts_to_json`.

    Raises
    ------
    ValueError : the text is not JSON, or a field is missing, of the wrong kind or not finite
    """
    raw = json.loads(text, parse_constant=_refuse_constant)
    try:
        bbox = tuple(float(side) for side in raw["bbox_mm"])
        if len(bbox) != 3 or not raw["orientations"]:
            raise ValueError("part facts need three box sides and at least one orientation")
        return PartFacts(
            content_hash=_text(raw["content_hash"]),
            closed=bool(raw["closed"]),
            volume_mm3=float(raw["volume_mm3"]),
            area_mm2=float(raw["area_mm2"]),
            bbox_mm=bbox,
            triangles=int(raw["triangles"]),
            body_count=int(raw["body_count"]),
            closed_hollows=int(raw["closed_hollows"]),
            orientations=tuple(_orientation(item) for item in raw["orientations"]),
            notes=tuple(_text(note) for note in raw["notes"]),
        )
    except (KeyError, TypeError, AttributeError, IndexError) as error:
        raise ValueError(f"not part facts: {error!r}") from error


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is not a finite number")


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"text wanted, {value!r} found")
    return value


def _ring(points: Any) -> Ring:
    return tuple((float(x), float(y)) for x, y in points)


def _orientation(item: Any) -> Orientation:
    a, b, c, d, e, f, g, h, i = (float(entry) for entry in item["matrix"])
    shadow = item["footprint"]
    return Orientation(
        key=_text(item["key"]),
        name=_text(item["name"]),
        matrix=(a, b, c, d, e, f, g, h, i),
        height_mm=float(item["height_mm"]),
        footprint=Footprint(
            polygons=tuple((_ring(outer), tuple(_ring(hole) for hole in holes)) for outer, holes in shadow["polygons"]),
            area_mm2=float(shadow["area_mm2"]),
            width_mm=float(shadow["width_mm"]),
            depth_mm=float(shadow["depth_mm"]),
        ),
        overhang_area_mm2=float(item["overhang_area_mm2"]),
        support_volume_mm3=float(item["support_volume_mm3"]),
    )
