"""A plate as 3MF: one object for each part model and orientation, one build item for each piece, in its place.

Build preparation opens the plate with every part standing where the plan has it: plate coordinates in mm, origin at
the lower left of the plate, underside on z = 0, everything in the positive octant (3MF core specification 1.4.0).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np

from router.domain.plan import PlacedPiece
from router.formats.plate_layout import COUPON, LaidPiece, PlateLayout
from router.geometry.pose import set_down
from router.geometry.surface import Surface
from router.geometry.threemf_items import read_3mf_items
from router.geometry.threemf_write import BuildItem, MeshObject, Transform, write_3mf
from router.kernel.faults import Fault, FaultyInput
from router.nesting.shape import turned

ENDING = ".build.3mf"
"""The 3MF core specification's file name ending for a build."""

SurfaceOf = Callable[[str], Surface]
"""The surface of a model file as modelled, facets outwards, by its name."""

_APPLICATION = "platewright"
_STRAIGHT = 1e-9


def plate_3mf(layout: PlateLayout, surface_of: SurfaceOf) -> bytes:
    """The file as bytes.

    A model that is no closed solid becomes a ``surface`` object, as the specification asks. Object part number: model
    and orientation; item part number: line and number of the piece.
    """
    numbers: dict[tuple[str, str], int] = {}
    objects: list[MeshObject] = []
    items: list[BuildItem] = []
    for piece in layout.pieces:
        key = (piece.model, piece.orientation.key if piece.orientation else COUPON)
        if key not in numbers:
            numbers[key] = len(objects)
            objects.append(_object(layout, piece, surface_of))
        items.append(BuildItem(numbers[key], _transform(piece.placed), piece.mark))
    about = f"{layout.alloy}, machine {layout.machine_id}, {len(items)} pieces in place"
    if layout.invented:
        about += ", invented data"
    metadata = {"Title": f"Build {layout.build_id}", "Description": about, "Application": _APPLICATION}
    return write_3mf(objects, items, metadata)


def read_plate_3mf(data: bytes, file: str) -> tuple[PlacedPiece, ...]:
    """The pieces of a plate file with their positions, in file order; raises FaultyInput for any other file.

    Only what `plate_3mf` writes is understood: items turned about z and shifted within the plate, part numbers as
    given there. ``file`` names the file in faults. Raises MeshError for a file that is no sound 3MF.
    """
    faults: list[Fault] = []
    pieces: list[PlacedPiece] = []
    for number, item in enumerate(read_3mf_items(Path(file), data), start=1):
        turn, shift = item.transform[:3], item.transform[3]
        level = np.abs(turn[2] - (0.0, 0.0, 1.0)).max() < _STRAIGHT and np.abs(turn[:2, 2]).max() < _STRAIGHT
        proper = abs(float(np.linalg.det(turn)) - 1.0) < _STRAIGHT and np.allclose(turn @ turn.T, np.eye(3), atol=1e-9)
        line_id, slash, _ = item.part_number.rpartition("/")
        _, colon, orientation = item.object_part_number.rpartition(":")
        if not (level and proper and abs(float(shift[2])) < _STRAIGHT):
            faults.append(Fault(file, f"item {number}", "transform", "a tilted or lifted piece", "a turn about z"))
        elif not slash or not (colon or item.object_part_number == COUPON):
            found = f"'{item.part_number}' of '{item.object_part_number}'"
            faults.append(Fault(file, f"item {number}", "partnumber", found, "line/number of model:orientation"))
        else:
            angle = math.degrees(math.atan2(float(turn[0, 1]), float(turn[0, 0]))) % 360.0
            at = (float(shift[0]), float(shift[1]), angle)
            is_coupon = item.object_part_number == COUPON
            pieces.append(PlacedPiece(None if is_coupon else line_id, COUPON if is_coupon else orientation, *at))
    if faults:
        raise FaultyInput(faults)
    return tuple(pieces)


def _object(layout: PlateLayout, piece: LaidPiece, surface_of: SurfaceOf) -> MeshObject:
    if piece.orientation is None:
        return _coupon(layout.coupon_side_mm, layout.coupon_height_mm)
    surface = surface_of(piece.model)
    points = set_down(surface, np.array(piece.orientation.matrix, dtype=np.float64).reshape(3, 3)).points
    number = f"{piece.model}:{piece.orientation.key}"
    name = f"{piece.model}, {piece.orientation.name}"
    return MeshObject(points, surface.faces, name, number, surface.closed)


def _transform(placed: PlacedPiece) -> Transform:
    (cos, sin), (minus_sin, cos_too) = turned(np.eye(2), placed.angle_deg).tolist()
    return (cos, sin, 0.0, minus_sin, cos_too, 0.0, 0.0, 0.0, 1.0, placed.x_mm, placed.y_mm, 0.0)


def _coupon(side: float, height: float) -> MeshObject:
    """An upright bar: eight corners, twelve facets, outwards."""
    corners = np.array([(x, y, z) for z in (0.0, height) for y in (0.0, side) for x in (0.0, side)])
    facets = [
        (0, 2, 1), (1, 2, 3), (4, 5, 6), (5, 7, 6), (0, 1, 4), (1, 5, 4),
        (2, 6, 3), (3, 6, 7), (0, 4, 2), (2, 4, 6), (1, 3, 5), (3, 7, 5),
    ]  # fmt: skip
    return MeshObject(corners, np.array(facets, dtype=np.int64), "witness coupon", COUPON)
