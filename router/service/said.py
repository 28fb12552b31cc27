"""Words people give along with what they do: refused where they are too long, never cut."""

from __future__ import annotations

from router.kernel.faults import Fault, FaultyInput

MOST_CHARACTERS = 500


def said(text: str, where: str, field: str, wanted: str = "") -> str:
    """The words without white space at the ends. Raises FaultyInput when too long, or none and ``wanted`` says what."""
    words = text.strip()
    if len(words) > MOST_CHARACTERS:
        fault = Fault("", where, field, f"{len(words)} characters", f"at most {MOST_CHARACTERS} characters")
        raise FaultyInput([fault])
    if wanted and not words:
        raise FaultyInput([Fault("", where, field, "nothing", wanted)])
    return words
