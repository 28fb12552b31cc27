"""An order book as JSON: every element is looked at, counted as people count, and no character is lost."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from router.formats.network_file import inspect_network
from router.formats.order_book import COLUMNS, inspect_orders
from router.kernel.faults import Fault

ROOT = Path(__file__).resolve().parents[3]
NETWORK = (ROOT / "scenarios" / "small" / "network.yaml").read_bytes()
LINE = {
    "line": "j-1",
    "order": "j",
    "customer": "Invented",
    "model": "ring.stl",
    "unit": "mm",
    "alloy": "316l",
    "quantity": 3,
    "ship_to": "Lyon",
    "ship_country": "FR",
    "received": "2027-02-20",
    "due": "2027-04-01",
}


def _faults(*elements: object) -> list[Fault]:
    raw = json.dumps(list(elements)).encode()
    return list(inspect_orders(raw, "orders.json", inspect_network(NETWORK), ["ring.stl"]).faults)


def test_a_sound_list_is_read() -> None:
    raw = json.dumps([LINE, {**LINE, "line": "j-2", "own_plate": True}]).encode()
    reading = inspect_orders(raw, "orders.json", inspect_network(NETWORK), ["ring.stl"])
    assert reading.faults == () and [x.line_id for x in reading.lines] == ["j-1", "j-2"]
    assert reading.lines[1].own_plate and reading.lines[0].quantity == 3


def test_one_bad_element_hides_nothing_and_the_first_is_row_1() -> None:
    faults = _faults({**LINE, "quantity": "many"}, "no object", 7, {**LINE, "line": "j-2", "alloy": "gold"}, LINE)
    assert [(f.where, f.field) for f in faults] == [
        ("row 2", ""),
        ("row 3", ""),
        ("row 1", "quantity"),
        ("row 4", "alloy"),
        ("row 5", "line"),
    ]
    assert "first in row 1" in faults[-1].found


def test_keys_that_are_no_columns_are_of_the_keys() -> None:
    (fault,) = _faults({**LINE, "quantty": 1})
    assert fault.where == "keys" and fault.field == "quantty" and "quantity" in fault.expected


@pytest.mark.parametrize("text", ["a\ud800b", "\udfff", "nul\0"])
def test_what_is_no_text_is_refused_once_where_it_stands(text: str) -> None:
    faults = _faults(LINE, {**LINE, "line": "j-2", "customer": text})
    assert [(f.where, f.field) for f in faults] == [("row 2", "customer")]
    assert "a NUL character" in faults[0].found or "half a character (U+D" in faults[0].found
    json.dumps(faults[0].sentence(), ensure_ascii=False).encode()


def test_half_a_character_in_a_key_is_named() -> None:
    (fault,) = _faults({**LINE, "cust\ud800": "x"})
    assert fault.where == "keys" and fault.field == "cust\\ud800"


@pytest.mark.parametrize("raw", [b"{}", b"[", b"\xff", b"[1]", b"[]", b"[{}]", b"3", b'[{"a": NaN}]'])
def test_what_is_no_list_of_lines(raw: bytes) -> None:
    faults = inspect_orders(raw, "orders.json", inspect_network(NETWORK), []).faults
    assert faults and all(f.file == "orders.json" for f in faults)


def test_a_formula_is_told_once() -> None:
    table = ",".join(COLUMNS[:3]) + "\nl,=1+1,c\n"
    faults = inspect_orders(table.encode(), "orders.csv", inspect_network(NETWORK), []).faults
    assert [f.expected for f in faults if f.where == "row 2" and f.field == COLUMNS[1]] == ["a value, not a formula"]
