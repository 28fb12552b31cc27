"""Texts no database takes and no name needs: with the character NUL, or with half of a pair of surrogates."""

from __future__ import annotations

import re

_UNKEEPABLE = re.compile("[\x00\ud800-\udfff]")


def unkeepable(text: str) -> str | None:
    """What in a text cannot be kept, in words; None for a sound text."""
    found = _UNKEEPABLE.search(text)
    if found is None:
        return None
    return "the character NUL" if found[0] == "\x00" else f"half a character (the lone surrogate U+{ord(found[0]):04X})"
