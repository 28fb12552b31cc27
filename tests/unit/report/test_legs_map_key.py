"""The key of the map stands where it hides no site and no destination."""

from __future__ import annotations

import re

import pytest

from router.report.legs_map import Leg, MapSite, legs_map


@pytest.mark.parametrize("sites", [
    [("Braga", 41.5, -8.4)],  # the lower left corner of what is shown
    [("Braga", 41.5, -8.4), ("Split", 43.5, 11.0)],
    [("Upper left", 48.4, -8.4)],
])  # fmt: skip
def test_the_key_hides_no_mark(sites: list[tuple[str, float, float]]) -> None:
    marks = [MapSite(name, latitude, longitude, k) for k, (name, latitude, longitude) in enumerate(sites)]
    drawn = legs_map("m", marks, [Leg(marks[0], "Augsburg, DE", 48.4, 10.9, 2.1, 1)])
    keys = [
        (float(x), float(y)) for x, y in re.findall(r'keyleg" stroke-width="[^"]+" d="M([\d.]+) ([\d.]+)h34', drawn)
    ]
    points = re.findall(r'<rect class="site [^"]+" x="([\d.]+)" y="([\d.]+)"', drawn)
    points += re.findall(r'<circle class="dest" cx="([\d.]+)" cy="([\d.]+)"', drawn)
    assert len(keys) == 2 and len(points) == len(sites) + 1
    for x, y in keys:
        for mark_x, mark_y in points:
            assert not (x - 14 < float(mark_x) + 6 < x + 116 and abs(float(mark_y) + 6 - y) < 20), (
                x,
                y,
                mark_x,
                mark_y,
            )
