"""Exact places for one large piece on an empty plate, where the cell grid would lose the last fraction of a cell."""

from __future__ import annotations

from functools import lru_cache

from shapely import prepare
from shapely.affinity import rotate, translate

from router.nesting.placement import Placement
from router.nesting.plate import PlateSpec
from router.nesting.shape import Shape

#: The usable region is widened by this much so that a piece of exactly its size counts as inside.
_TOUCH_MM = 1e-6
_SHARES = (0.5, 0.0, 1.0)


@lru_cache(maxsize=4096)
def lone_placement(spec: PlateSpec, shape: Shape, rotation: int = -1) -> Placement | None:
    """First place among centre, edges and corners of the usable bounding box at which the piece lies inside.

    ``rotation`` restricts to one index into ``shape.angles_deg`` (-1: all). ``None`` when none of these places does.
    """
    usable = spec.usable()
    room = usable.buffer(_TOUCH_MM)
    prepare(room)
    left, low, right, high = usable.bounds
    region = shape.region()
    for number, angle in enumerate(shape.angles_deg):
        if rotation >= 0 and number != rotation:
            continue
        standing = rotate(region, angle, origin=(0, 0))
        x0, y0, x1, y1 = standing.bounds
        spare_x, spare_y = (right - left) - (x1 - x0), (high - low) - (y1 - y0)
        if spare_x < -_TOUCH_MM or spare_y < -_TOUCH_MM:
            continue
        for share_y in _SHARES:
            for share_x in _SHARES:
                x, y = left - x0 + share_x * spare_x, low - y0 + share_y * spare_y
                if room.contains(translate(standing, x, y)):
                    return Placement(shape.key, x, y, angle)
    return None
