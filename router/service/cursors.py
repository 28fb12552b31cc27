"""Places in a list as words that travel in an address."""

from __future__ import annotations

import base64
import binascii
import json

from router.kernel.faults import NotFound


def cursor(parts: tuple[str, ...] | None) -> str | None:
    """A place in a list as a word that travels in an address."""
    return None if parts is None else base64.urlsafe_b64encode(json.dumps(parts).encode()).decode().rstrip("=")


def uncursor(word: str | None, length: int) -> tuple[str, ...] | None:
    """Back again. Raises NotFound for a word that is none of ours."""
    if word is None:
        return None
    try:
        parts = json.loads(base64.urlsafe_b64decode(word + "=" * (-len(word) % 4)))
        if isinstance(parts, list) and len(parts) == length and all(_is_text(p) for p in parts):
            return tuple(parts)
    except (ValueError, binascii.Error, RecursionError):
        pass
    raise NotFound("no such cursor; start from the first page")


def _is_text(part: object) -> bool:
    """Text that a database can be asked for: no NUL, no half of a character."""
    return isinstance(part, str) and "\x00" not in part and part == part.encode("utf-8", "ignore").decode()
