"""Checks of the measured parts against themselves, as far as a plan relies on them."""

from __future__ import annotations

import math

import numpy as np
import shapely

from router.audit.finding import Notebook
from router.audit.outlines import footprint_shape
from router.domain.network import Scenario
from router.domain.plan import Plan
from router.geometry.facts import Orientation, PartFacts
from router.geometry.soundness import unusable

_OUTLINE_MM = 0.01
_SLACK = 1e-6
_FACET_SLACK = 1e-3
"""A volume may pass area x height by this share: facets and outline are rounded apart from each other."""


def check_measured(
    scenario: Scenario, plan: Plan, notes: Notebook, lines: frozenset[str] | None = None
) -> frozenset[str]:
    """Check every part an order line (one of ``lines``) uses; return the models whose facts cannot be used at all.

    A part below what can be made is looked at no further, as long as the plan builds none.
    """
    bad: set[str] = set()
    built = {p.line_id for b in plan.builds for p in b.pieces}
    built_models = {x.model for x in scenario.lines if x.line_id in built}
    wanted = (x for x in scenario.lines if lines is None or x.line_id in lines)
    for model in sorted({x.model for x in wanted if x.model in scenario.parts}):
        notes.look("measured parts")
        before = len(notes.findings)
        facts = scenario.parts[model]
        cannot = unusable(facts)
        if cannot is not None and model not in built_models:
            continue
        if cannot is not None:
            notes.add("part-cannot-be-made", f"part {model}", cannot.found, cannot.expected)
        _check_part(f"part {model}", facts, notes)
        if any(f.code in ("part-not-positive", "part-outline-broken") for f in notes.findings[before:]):
            bad.add(model)
    return frozenset(bad)


def _check_part(where: str, facts: PartFacts, notes: Notebook) -> None:
    sizes = {
        "volume": facts.volume_mm3,
        "box x": facts.bbox_mm[0],
        "box y": facts.bbox_mm[1],
        "box z": facts.bbox_mm[2],
    }
    for name, size in sizes.items():
        if not (math.isfinite(size) and size > 0):
            notes.add("part-not-positive", f"{where}, {name}", size, "a positive number")
            return
    box = math.prod(facts.bbox_mm)
    if facts.volume_mm3 > box * (1 + _SLACK):
        notes.add("part-larger-than-its-box", where, f"{facts.volume_mm3:g} mm3", f"at most {box:g} mm3")
    keys = [o.key for o in facts.orientations]
    if not keys or keys[0] != "a" or len(set(keys)) != len(keys):
        notes.add("part-orientations", where, ", ".join(keys) or "none", "different keys, the first of them a")
    for orientation in facts.orientations:
        _check_orientation(f"{where}, orientation {orientation.key}", facts, orientation, notes)
    if facts.orientations:
        first = facts.orientations[0]
        stood = (first.footprint.width_mm, first.footprint.depth_mm, first.height_mm)
        if any(abs(a - b) > _OUTLINE_MM for a, b in zip(stood, facts.bbox_mm, strict=True)):
            notes.add("part-not-as-modelled", f"{where}, orientation {first.key}", stood, f"the box {facts.bbox_mm}")


def _check_orientation(where: str, facts: PartFacts, orientation: Orientation, notes: Notebook) -> None:
    foot = orientation.footprint
    sizes = {"height": orientation.height_mm, "area": foot.area_mm2, "width": foot.width_mm, "depth": foot.depth_mm}
    for name, size in sizes.items():
        if not (math.isfinite(size) and size > 0):
            notes.add("part-not-positive", f"{where}, {name}", size, "a positive number")
            return
    if not (math.isfinite(orientation.support_volume_mm3) and orientation.support_volume_mm3 >= 0):
        notes.add("part-not-positive", f"{where}, support", orientation.support_volume_mm3, "zero or more")
        return
    turn = np.array(orientation.matrix, dtype=float).reshape(3, 3)
    if not np.allclose(turn @ turn.T, np.eye(3), atol=1e-6) or np.linalg.det(turn) < 0:
        notes.add("part-matrix-no-rotation", where, orientation.matrix, "a rotation")
    rings_sound = bool(foot.polygons) and all(len(r) >= 3 for o, h in foot.polygons for r in (o, *h))
    if not rings_sound or not all(shapely.Polygon(o, h).is_valid for o, h in foot.polygons):
        notes.add("part-outline-broken", where, "an outline that is empty or crosses itself", "simple rings")
        return
    shape = footprint_shape(foot)
    x0, y0, x1, y1 = shape.bounds
    if max(abs(x0), abs(y0), abs(x1 - foot.width_mm), abs(y1 - foot.depth_mm)) > _OUTLINE_MM:
        notes.add(
            "part-outline-and-box",
            where,
            f"outline from ({x0:.3f}, {y0:.3f}) to ({x1:.3f}, {y1:.3f})",
            f"from (0, 0) to ({foot.width_mm:.3f}, {foot.depth_mm:.3f})",
        )
    if foot.area_mm2 > shape.area * (1 + _SLACK):
        notes.add("part-shadow-larger-than-outline", where, f"{foot.area_mm2:g} mm2", f"at most {shape.area:g} mm2")
    prism = foot.area_mm2 * orientation.height_mm
    if facts.volume_mm3 > prism * (1 + _FACET_SLACK):
        notes.add("part-larger-than-its-prism", where, f"{facts.volume_mm3:g} mm3", f"at most {prism:g} mm3")
