"""Lengths, areas and masses in metric and in inch units. Factors: NIST SP 811, appendix B (exact)."""

from __future__ import annotations

import pytest

from router.report.legs_map import Leg, MapSite, legs_map
from router.report.measures import METRIC, Measures
from router.report.wording import NBSP

INCH = Measures(inch=True)


@pytest.mark.parametrize(
    ("metric", "inch", "said", "said_in_inches"),
    [
        (METRIC.length(25.4), INCH.length(25.4), "25.4 mm", "1.00 in"),
        (METRIC.size(254, 508), INCH.size(254, 508), "254 x 508 mm", "10.00 x 20.00 in"),
        (METRIC.area(64_516), INCH.area(64_516), "645 cm2", "100.0 sq in"),
        (METRIC.mass(45.359237), INCH.mass(45.359237), "45.4 kg", "100.0 lb"),
        (METRIC.distance(1609.344), INCH.distance(1609.344), "1,609 km", "1,000 mi"),
    ],
)
def test_the_same_thing_in_both(metric: str, inch: str, said: str, said_in_inches: str) -> None:
    assert metric.replace(NBSP, " ") == said and inch.replace(NBSP, " ") == said_in_inches


def test_a_way_that_is_only_possible_is_drawn_broken_and_carries_nothing() -> None:
    near, far = MapSite("Near", 50, 8, 0), MapSite("Far", 40, -80, 1)
    drawn = legs_map(
        "m", [near, far], [Leg(near, "Lyon, FR", 45.7, 4.8, 10.0, 2), Leg(far, "Lyon, FR", 45.7, 4.8, 0, 0)]
    )
    assert drawn.count('class="leg s0"') == 1 and drawn.count('class="leg s1 maybe"') == 1
    assert "Far to Lyon, FR: possible, not planned" in drawn
    assert "1 legs carrying 10.0\u00a0kg in 2 shipments, 1 other ways that are possible" in drawn
    assert "22.0\u00a0lb" in legs_map("m", [near], [Leg(near, "Lyon, FR", 45.7, 4.8, 10.0, 2)], INCH)
