"""A surface set down on the plate in one orientation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from router.geometry.surface import Floats, Surface


@dataclass(frozen=True, slots=True)
class Pose:
    """Vertices after a rotation, shifted so that the bounding box begins at the origin and the part rests on z = 0.

    Attributes
    ----------
    surface : the surface as modelled
    points : (V, 3) mm
    size : (3,) sides of the bounding box in mm
    upright : (F,) z component of the facet normals, length twice the facet's area; above zero where it faces up
    """

    surface: Surface
    points: Floats
    size: Floats
    upright: Floats


def set_down(surface: Surface, rotation: Floats) -> Pose:
    """Turn a surface by `rotation` (3 x 3, applied to model coordinates) and set it on the plate."""
    turned = rotation @ surface.vertices.T  # one row an axis: reductions along rows are several times quicker
    turned -= turned.min(axis=1, keepdims=True)
    return Pose(surface, np.ascontiguousarray(turned.T), turned.max(axis=1), surface.cross @ rotation[2])
