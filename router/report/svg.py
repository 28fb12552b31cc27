"""The few words of SVG the figures share: escaped text, short numbers, an accessible frame, hatches."""

from __future__ import annotations

import html

from router.report.theme import HATCHES


def esc(text: object) -> str:
    """Text made safe for element content and for attributes in double quotes."""
    return html.escape(str(text), quote=True)


def px(value: float, decimals: int = 1) -> str:
    """A coordinate without needless digits."""
    text = f"{value:.{decimals}f}".rstrip("0").rstrip(".") if decimals else f"{value:.0f}"
    return "0" if text in ("-0", "") else text


def frame(
    name: str, width: float, height: float, title: str, described: str, body: str, *, role: str = "img", style: str = ""
) -> str:
    """An ``<svg>`` with title and description tied to it; ``name`` makes their ids and must be unique on the page.

    ``role="img"`` for a picture; ``role="group"`` where the drawing holds links that have to stay reachable.
    """
    styled = f' style="{esc(style)}"' if style else ""
    return (
        f'<svg viewBox="0 0 {px(width)} {px(height)}" width="{px(width)}" height="{px(height)}" role="{role}"'
        f' aria-labelledby="{esc(name)}-t {esc(name)}-d"{styled}>'
        f'<title id="{esc(name)}-t">{esc(title)}</title><desc id="{esc(name)}-d">{esc(described)}</desc>{body}</svg>'
    )


def clip_text(text: str, width_px: float, char_px: float) -> str:
    """The text if it fits, else its beginning with an ellipsis, else nothing (below three letters)."""
    room = int(width_px / char_px)
    if len(text) <= room:
        return text
    return text[: room - 1] + "\u2026" if room >= 4 else ""


_LINES = (
    "",
    "M-1 1l2-2M0 6l6-6M5 7l2-2",
    "M0 3h6",
    "M-1 5l2 2M0 0l6 6M5-1l2 2",
    "M3 0v6",
    "M0 0l6 6M0 6l6-6",
)


def definitions() -> str:
    """Hatches for keys (``hatch-1``..), changeovers, coupons and keep-outs: once a page, used by address."""
    keyed = "".join(
        f'<pattern id="hatch-{i}" width="6" height="6" patternUnits="userSpaceOnUse"><path d="{_LINES[i]}" '
        'class="hl"/></pattern>'
        for i in range(1, HATCHES)
    )
    return (
        '<svg class="defs" width="0" height="0" aria-hidden="true" focusable="false"><defs>'
        + keyed
        + '<pattern id="hatch-change" width="5" height="5" patternUnits="userSpaceOnUse">'
        '<path d="M-1 1l2-2M0 5l5-5M4 6l2-2" class="hc"/></pattern>'
        '<pattern id="hatch-stop" width="5" height="5" patternUnits="userSpaceOnUse">'
        '<path d="M0 0l5 5M0 5l5-5" class="hs"/></pattern>'
        '<pattern id="hatch-coupon" width="3" height="3" patternUnits="userSpaceOnUse">'
        '<path d="M0 1.5h3" class="hc"/></pattern>'
        "</defs></svg>"
    )


def swatch(key: int, hatch: int) -> str:
    """A small sample of a key's tint and hatch, for legends; the words stand beside it."""
    over = f'<rect width="22" height="14" fill="url(#hatch-{hatch})"/>' if hatch else ""
    return (
        f'<svg class="swatch" viewBox="0 0 22 14" width="22" height="14" aria-hidden="true">'
        f'<rect x=".5" y=".5" width="21" height="13" class="k{key}"/>{over}</svg>'
    )
