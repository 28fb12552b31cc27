"""Marks of standing: a shape, a word and a colour, so that none of them has to be told by colour alone."""

from __future__ import annotations

from markupsafe import Markup, escape

_SHAPES = {
    "good": '<circle cx="6" cy="6" r="5"/>',
    "warn": '<path d="M6 1l5.4 10H.6z"/>',
    "bad": '<path d="M1.5 1.5h9v9h-9z"/>',
    "held": '<path d="M2 1.5h3v9H2zM7 1.5h3v9H7z"/>',
    "idle": '<circle cx="6" cy="6" r="4" fill="none" stroke="currentColor" stroke-width="2"/>',
    "busy": '<path d="M2 1l9 5-9 5z"/>',
    "gone": '<path d="M2 2l8 8M10 2l-8 8" fill="none" stroke="currentColor" stroke-width="2.2"/>',
    "pinned": '<path d="M6 0l4 4-4 8-4-8z"/>',
    "same": '<path d="M1 5h10v2H1z"/>',
    "up": '<path d="M6 1.5l5 9H1z"/>',
    "down": '<path d="M6 10.5l5-9H1z"/>',
}

_TONE = {
    "up": "",
    "down": "",
    "busy": "accent",
    "pinned": "accent",
    "held": "warn",
    "idle": "soft",
    "gone": "soft",
    "same": "soft",
}


def mark(shape: str, word: object, tone: str | None = None) -> Markup:
    """``shape``: a key of the table above; ``tone``: good, warn, bad, accent, soft or empty, else the shape's own."""
    own = _TONE.get(shape, shape) if tone is None else tone
    return Markup(
        f'<span class="mark {escape(own)}"><svg viewBox="0 0 12 12" width="10" height="10" aria-hidden="true" '
        f'focusable="false">{_SHAPES[shape]}</svg>{escape(word)}</span>'
    )
