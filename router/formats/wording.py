"""How faults name things: what was found, what would be right, and the nearest known name."""

from __future__ import annotations

from collections.abc import Iterable

from router.kernel.names import nearest

_LONGEST = 60


def found(value: object) -> str:
    """The value as it stands in the file, shortened; control characters escaped."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return f"a group of {len(value)} fields"
    if isinstance(value, (list, tuple)):
        return f"a list of {len(value)}"
    text = str(value)
    short = text if len(text) <= _LONGEST else text[:_LONGEST] + "..."
    return (
        "'" + short.encode("unicode_escape", "backslashreplace").decode() + "'"
        if not short.isprintable()
        else f"'{short}'"
    )


def one_of(name: str, known: Iterable[str], what: str = "") -> str:
    """``one of a, b, c`` with the nearest first guess; long lists are cut."""
    names = list(known)
    guess = nearest(name, names) if name else None
    if not names:
        return f"a known {what}; there is none" if what else "nothing here"
    listed = ", ".join(names[:12]) + (f" and {len(names) - 12} more" if len(names) > 12 else "")
    text = f"{what + ': ' if what else ''}one of {listed}"
    return f"{text}; did you mean '{guess}'?" if guess else text
