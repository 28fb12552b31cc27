"""A part is drawn inside its picture wherever its model lies."""

from __future__ import annotations

import re

import numpy as np
import pytest

from router.web.part_picture import draw

_TETRAHEDRON = np.array([[0, 0, 0], [40, 0, 0], [0, 40, 0], [0, 0, 40]], dtype=np.float64)
_FACES = [(0, 2, 1), (0, 1, 3), (0, 3, 2), (1, 2, 3)]


@pytest.mark.parametrize("away", [(0, 0, 0), (500, 0, 0), (0, -500, 0), (300, 300, 300)])
def test_it_fills_its_picture_wherever_the_model_lies(away: tuple[float, float, float]) -> None:
    facets = np.array([[_TETRAHEDRON[i] for i in face] for face in _FACES]) + np.array(away, dtype=np.float64)
    drawing = draw(facets)
    corners = [(float(x), float(y)) for x, y in re.findall(r"(-?[\d.]+),(-?[\d.]+)", drawing.body)]
    xs, ys = [x for x, _ in corners], [y for _, y in corners]
    assert min(xs) == pytest.approx(10, abs=0.1) and max(xs) == pytest.approx(drawing.width_px - 10, abs=0.1)
    assert min(ys) == pytest.approx(10, abs=0.1) and max(ys) == pytest.approx(drawing.height_px - 10, abs=0.1)


def test_nothing_is_drawn_of_no_facets() -> None:
    assert draw(np.empty((0, 3, 3))).body == ""
