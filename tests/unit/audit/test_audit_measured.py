"""Measured parts that contradict themselves are named."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from router.audit import audit
from router.domain.network import Scenario
from router.domain.plan import Plan
from router.geometry.facts import PartFacts

BOW_TIE = ((((0.0, 0.0), (40.0, 30.0), (40.0, 0.0), (0.0, 30.0)), ()),)


def first(facts: PartFacts, foot: dict[str, Any] | None = None, **changes: Any) -> PartFacts:
    stance = facts.orientations[0]
    stance = replace(stance, footprint=replace(stance.footprint, **(foot or {})), **changes)
    return replace(facts, orientations=(stance, *facts.orientations[1:]))


SPOILED = [
    ("part-not-positive", lambda f: replace(f, volume_mm3=-1.0)),
    ("part-not-positive", lambda f: replace(f, bbox_mm=(40.0, math.nan, 20.0))),
    ("part-not-positive", lambda f: first(f, height_mm=0.0)),
    ("part-not-positive", lambda f: first(f, support_volume_mm3=-5.0)),
    ("part-larger-than-its-box", lambda f: replace(f, volume_mm3=24001.0)),
    ("part-larger-than-its-prism", lambda f: first(f, {"area_mm2": 1100.0})),
    ("part-shadow-larger-than-outline", lambda f: first(f, {"area_mm2": 1201.0})),
    ("part-outline-and-box", lambda f: first(f, {"width_mm": 41.0})),
    ("part-outline-broken", lambda f: first(f, {"polygons": ()})),
    ("part-outline-broken", lambda f: first(f, {"polygons": BOW_TIE})),
    ("part-not-as-modelled", lambda f: first(f, height_mm=21.0)),
    ("part-matrix-no-rotation", lambda f: first(f, matrix=(1.0, 0, 0, 0, 1, 0, 0, 0, -1))),
    ("part-orientations", lambda f: replace(f, orientations=(f.orientations[1], f.orientations[0]))),
    ("part-orientations", lambda f: replace(f, orientations=())),
]


@pytest.mark.parametrize(("code", "spoil"), SPOILED)
def test_a_contradiction_is_found(code: str, spoil: Any, scenario: Scenario, plan: Plan) -> None:
    parts = {**scenario.parts, "block.stl": spoil(scenario.parts["block.stl"])}
    report = audit(replace(scenario, parts=parts), plan)
    assert code in report.codes()
    assert any(f.code == code and f.where.startswith("part block.stl") for f in report.findings)
