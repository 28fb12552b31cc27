"""Geometry: from a mesh file to what planning needs of a part's shape. Knows nothing of orders or prices."""

from __future__ import annotations

from router.geometry.errors import MeshError
from router.geometry.facts import (
    Footprint,
    Orientation,
    PartFacts,
    Ring,
    facts_from_json,
    facts_to_json,
)
from router.geometry.measuring import measure, measure_mesh
from router.geometry.read import read_mesh
from router.geometry.soundness import Unusable, unusable

__all__ = [
    "Footprint",
    "MeshError",
    "Orientation",
    "PartFacts",
    "Ring",
    "Unusable",
    "facts_from_json",
    "facts_to_json",
    "measure",
    "measure_mesh",
    "read_mesh",
    "unusable",
]
