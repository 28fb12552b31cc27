"""One remark for what was found at one place, whoever finds it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import pytest

from router.formats.network_file import inspect_network
from router.formats.order_book import inspect_orders
from router.kernel.faults import Fault, FaultyInput

SMALL = Path(__file__).resolve().parents[3] / "scenarios" / "small"
NETWORK, ORDERS = (SMALL / "network.yaml").read_text(), (SMALL / "orders.csv").read_text()
MODELS = ("bracket.stl", "nozzle.stl", "cap.stl", "ring.stl")


def _only(faults: Sequence[Fault], field: str) -> Fault:
    places = Counter((f.where, f.field) for f in faults)
    assert max(places.values()) == 1, faults
    return next(f for f in faults if f.field == field)


@pytest.mark.parametrize(
    ("before", "after", "field", "wanted"),
    [
        ("country: US, subdivision: OH", "country: NOWHERE", "country", "a country whose holidays are known"),
        ("subdivision: OH", "subdivision: NOWHERE", "subdivision", "a subdivision of US"),
        ("currency: USD", "currency: dollars", "currency", "a three-letter currency code"),
        ("loaded_alloy: in718", "loaded_alloy: a b", "loaded_alloy", "an alloy of the machine: one of"),
    ],
)
def test_in_a_network(before: str, after: str, field: str, wanted: str) -> None:
    assert before in NETWORK
    fault = _only(inspect_network(NETWORK.replace(before, after, 1).encode()).faults, field)
    assert wanted in fault.expected


@pytest.mark.parametrize(
    ("before", "after", "field", "wanted"),
    [
        ("mm,in718,,4", "mm,a b,,4", "alloy", "an alloy of the network: one of"),
        ("in718-40", "a b", "parameter_set", "a parameter set of in718: one of"),
        ("Columbus (Ohio)", "=1", "ship_to", "a value, not a formula"),
        ("bracket.stl,mm", "bracket.stl,=1", "unit", "a value, not a formula"),
    ],
)
def test_in_an_order_book(before: str, after: str, field: str, wanted: str) -> None:
    assert before in ORDERS
    raw = ORDERS.replace(before, after, 1).encode()
    fault = _only(inspect_orders(raw, "orders.csv", inspect_network(NETWORK.encode()), MODELS).faults, field)
    assert wanted in fault.expected


def test_a_refused_input_carries_equal_faults_once() -> None:
    fault = Fault("f", "row 1", "x", "1", "2")
    assert FaultyInput([fault, Fault("f", "row 2", "x", "1", "2"), fault]).faults == (
        fault,
        Fault("f", "row 2", "x", "1", "2"),
    )
