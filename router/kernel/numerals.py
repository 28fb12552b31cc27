"""Whole numbers as people write them."""

from __future__ import annotations


def whole_number(text: str, least: int, most: int) -> int | None:
    """The number that digits 0 to 9 stand for; None for any other text, and for a number out of bounds.

    However long the text is: ``int`` raises ValueError for more than 4,300 digits.
    """
    if not (text.isascii() and text.isdigit()):
        return None
    digits = text.lstrip("0") or "0"
    if len(digits) > len(str(most)):
        return None
    number = int(digits)
    return number if least <= number <= most else None
