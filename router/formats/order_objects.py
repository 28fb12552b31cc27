"""The order book as a JSON list of objects: the same rows and cells as a table, an element a row."""

from __future__ import annotations

import json

from router.formats.order_cells import MOST_COLUMNS, MOST_ROWS, Sheet, take_row, whole
from router.formats.wording import found
from router.kernel.faults import Fault

_WANT = "a list of objects whose keys are columns of the order book and whose values are text, numbers or yes/no"


def read_objects(raw: bytes, file: str) -> Sheet:
    """Rows are counted as people count the elements: the first is row 1. What is no object is a fault of its own."""
    sheet = Sheet(heading_at="keys")

    def refuse(where: str, found_text: str, expected: str) -> None:
        sheet.faults.append(Fault(file, where, "", found_text, expected))

    try:
        data = json.loads(raw)
    except (ValueError, RecursionError) as wrong:
        refuse("", f"JSON that does not parse ({str(wrong)[:80]})", _WANT)
        return sheet
    if not isinstance(data, list):
        refuse("", found(data), _WANT)
        return sheet
    if len(data) >= MOST_ROWS:
        refuse("", f"{len(data)} elements", f"fewer than {MOST_ROWS}")
        return sheet
    keys = list(dict.fromkeys(key for x in data if isinstance(x, dict) for key in x))
    if len(keys) > MOST_COLUMNS:
        refuse("keys", f"{len(keys)} different ones", f"at most {MOST_COLUMNS}")
        return sheet
    sheet.heading = [whole(key.strip()) for key in keys]
    for number, element in enumerate(data, start=1):
        if isinstance(element, dict):
            take_row(sheet, file, number, [_text(element.get(key)).strip() for key in keys])
        else:
            refuse(f"row {number}", found(element), "an object whose keys are columns of the order book")
    if not keys and not sheet.faults:
        refuse("", "no element with a key", _WANT)
    return sheet


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ";".join(_text(v) for v in value)
    return str(value)
