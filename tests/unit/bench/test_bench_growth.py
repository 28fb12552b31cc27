"""The growth command: exponents of known curves, the moment of equal gap, rows a size; one tiny run from end to end."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.bench import growth


def entry(lines: int, trace: list[tuple[float, int]], bound: int | None = 90, budget: float = 1.0) -> dict[str, Any]:
    figures = dict.fromkeys(growth.FIGURES, 1.0)
    return {"lines": lines, "value": trace[-1][1], "bound": bound, "trace": trace, "budget": budget, **figures}


@pytest.mark.parametrize("power", [0.5, 1.0, 1.7])
def test_exponent_of_a_power_is_the_power(power: float) -> None:
    assert growth.exponent([(n, 3.0 * n**power) for n in (200, 1000, 5000)]) == pytest.approx(power, abs=1e-3)


def test_no_exponent_without_two_sizes() -> None:
    assert growth.exponent([(200, 1.0), (1000, None)]) is None
    assert growth.exponent([(200, 1.0), (200, 2.0)]) is None


def test_equal_gap_is_the_worst_of_the_best_and_every_size_reaches_it() -> None:
    runs = [
        entry(200, [(1.0, 200), (2.0, 100), (9.0, 92)]),
        entry(1000, [(3.0, 200), (4.0, 120)]),
        entry(1000, [(3.5, 200), (8.0, 100)], budget=9.0),
    ]
    gap = growth.equal_gap(runs)
    assert gap == pytest.approx(0.1)
    rows = growth.by_size(runs, gap)
    assert [(r["lines"], r["budget"], r["equal_gap_seconds"]) for r in rows] == [(200, 1.0, 2.0), (1000, 9.0, 8.0)]
    wider = growth.by_size(runs, 0.25)
    assert [r["equal_gap_seconds"] for r in wider] == [2.0, 4.0]


def test_a_size_that_does_not_reach_the_gap_is_left_out_and_named() -> None:
    rows = growth.by_size([entry(200, [(1.0, 100)]), entry(1000, [(4.0, 120)]), entry(5000, [(4.0, 120)], None)], 0.1)
    assert [r["equal_gap_seconds"] for r in rows] == [1.0, None, None]
    fits = {key: growth.exponent([(r["lines"], r[key]) for r in rows]) for key in growth.FIGURES}
    assert fits["equal_gap_seconds"] is None
    assert "with 1000, 5000 lines" in growth.table(rows, 0.1, fits)[-1]


def test_arguments_it_cannot_use(tmp_path: Path) -> None:
    assert growth.main(["--sizes", "a"]) == 2
    assert growth.main(["--sizes", "0"]) == 2
    assert growth.main(["--sizes", "10", "--seconds", "x"]) == 2
