"""The queue benchmark reads its table aright, and says when theory and simulation part."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.bench.queue_line import Line
from tests.bench.queues import main, reading


@pytest.mark.parametrize(
    ("model", "inputs", "quantity", "expected"),
    [
        ("M/M/c", "c=4 lambda=0.6/h mu=0.2/h", "Wq h", (Line(4, 0.75), 5.0, "wait")),
        ("M/M/1", "lambda=49/h mu=55/h (published example)", "Wq h", (Line(1, 49 / 55), 1 / 55, "wait")),
        (
            "M/M/2",
            "15 calls/h, 5 min mean, 2 operators (published exercise)",
            "P(wait)",
            (Line(2, 0.625), 5.0, "share"),
        ),
        ("M/G/1 Pollaczek-Khinchine", "lambda=0.05/h E[S]=16.0 h SCV=0.25", "Wq h", (Line(1, 0.8, 0.25), 16.0, "wait")),
        ("M/M/c", "c=4 lambda=0.6/h mu=0.2/h", "L", None),
        ("G/G/1 Kingman", "rho=0.9 ca2=1.0 cs2=1.0 E[S]=1.0 h", "Wq h (approx)", None),
        ("EOQ", "D=1200/yr K=90 h=3/yr", "Q*", None),
    ],
)
def test_rows_are_read(model: str, inputs: str, quantity: str, expected: tuple[Line, float, str] | None) -> None:
    found = reading({"model": model, "inputs": inputs, "quantity": quantity})
    if expected is None:
        assert found is None
        return
    assert found is not None
    assert (found[0].machines, found[0].scv, found[2]) == (expected[0].machines, expected[0].scv, expected[2])
    assert (found[0].load, found[1]) == pytest.approx((expected[0].load, expected[1]))


def test_a_false_value_stands_outside(tmp_path: Path) -> None:
    table = tmp_path / "queues.csv"
    table.write_text(
        "case,model,inputs,quantity,value\n"
        "A,M/M/c,c=1 lambda=0.5/h mu=1.0/h,Wq h,1.0\n"
        "B,M/M/c,c=1 lambda=0.5/h mu=1.0/h,Wq h,1.5\n"
    )
    out = tmp_path / "out.json"
    assert main([str(table), "--runs", "10", "--orders", "4000", "--json", str(out)]) == 0
    assert [e["status"] for e in json.loads(out.read_text())] == ["within the interval", "outside the interval"]
    assert main([str(tmp_path / "none.csv")]) == 2
