"""Money over time against the shared check values (their sources stand in the table) and textbook factors."""

from __future__ import annotations

import ast
import csv
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from router.whatif.discounting import capital_recovery_factor, per_month, present_value, rates_of_return

TABLE = Path(__file__).resolve().parents[2].parent / "shared" / "data" / "facts" / "discounting_checks.csv"
NOT_OFFERED = {"F07", "F09", "F10"}
"""Future values, numbers of payments and modified rates: nothing here asks for them."""


def _rows() -> Iterator[dict[str, str]]:
    if TABLE.exists():
        with TABLE.open(newline="") as file:
            yield from csv.DictReader(file)


def _worked_out(expression: str) -> list[float]:
    """The value, or the several values, that the expression of a row comes to by our functions."""
    flows = re.search(r"\[.*?\]", expression)
    numbers = [float(x) for x in ast.literal_eval(flows.group())] if flows else []
    if found := re.match(r"npv\(([\d.]+), ", expression):
        return [present_value(float(found.group(1)), numbers)]
    if expression.startswith("irr roots of"):
        return list(rates_of_return(numbers))
    if expression.startswith("irr("):
        # The package takes the root nearest to zero.
        return [min(rates_of_return(numbers), key=abs)]
    if expression == "pmt(0.075/12, 180, 200000)":
        return [-200_000 * capital_recovery_factor(0.075 / 12, 180)]
    if expression == "capital recovery factor i=0.10 n=8":
        return [capital_recovery_factor(0.10, 8)]
    if expression == "effective annual rate, 8 % nominal monthly":
        # The month's rate of the effective rate is the nominal rate's twelfth: the same statement, our way round.
        return [(1 + 0.08 / 12) ** 12 - 1] if per_month((1 + 0.08 / 12) ** 12 - 1) == pytest.approx(0.08 / 12) else []
    found = re.search(r"(\d{6}), (\d) years, (\d+) a year, no resale, (\d+) %", expression)
    if found:
        price, years, running, rate = (int(x) for x in found.groups())
        flows_of = [price] + [running] * years
    elif expression.startswith("equivalent annual cost: buy 650000, run 90000 a year, resale 120000 after 8 years, 10"):
        years, rate = 8, 10
        flows_of = [650_000] + [90_000] * 7 + [90_000 - 120_000]
    else:
        raise AssertionError(f"a row that no reading is known for: {expression}")
    return [present_value(rate / 100, flows_of) * capital_recovery_factor(rate / 100, years)]


@pytest.mark.skipif(not TABLE.exists(), reason="the shared fact tables are not here")
def test_every_row_of_the_table() -> None:
    checked = 0
    for row in _rows():
        if row["case"] in NOT_OFFERED:
            continue
        expected = [float(x) for x in row["value"].split(";")]
        assert _worked_out(row["expression"]) == pytest.approx(expected, rel=1e-6, abs=6e-7), row["case"]
        checked += 1
    assert checked == 15


@pytest.mark.parametrize(
    ("rate", "periods", "factor"),
    # (A/P, i, n) as tables of engineering economy print it, four or five places (from memory).
    [(0.10, 8, 0.18744), (0.08, 5, 0.25046), (0.12, 10, 0.17698), (0.06, 20, 0.08718)],
)
def test_tables_of_engineering_economy(rate: float, periods: int, factor: float) -> None:
    assert capital_recovery_factor(rate, periods) == pytest.approx(factor, abs=6e-6)


def test_documented_example_of_numpy_financial() -> None:
    """npv and irr as in the docstrings of numpy-financial, so that the check does not hang on the shared table."""
    assert present_value(0.08, [-40_000, 5_000, 8_000, 12_000, 30_000]) == pytest.approx(3065.22267, abs=1e-5)
    assert rates_of_return([-100, 39, 59, 55, 20]) == pytest.approx((0.28095,), abs=5e-6)
