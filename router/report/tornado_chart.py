"""What one input at a time does to the cost of a year: a low and a high bar an input, from the cost of the choice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from router.report.scales import Linear, ticks
from router.report.svg import esc, frame, px
from router.report.wording import number

WIDTH_PX = 760.0
_LEFT, _RIGHT, _TOP, _BOTTOM, _ROW = 190.0, 64.0, 8.0, 38.0, 34.0
_BAR = 12.0


@dataclass(frozen=True, slots=True)
class TornadoEnd:
    """An input at one value: the value in words, the cost of a year, and whether another choice wins there."""

    value: str
    cents: int
    turns: bool


@dataclass(frozen=True, slots=True)
class TornadoRow:
    """One input."""

    name: str
    low: TornadoEnd
    high: TornadoEnd


def tornado_chart(element: str, rows: Sequence[TornadoRow], best_cents: int, currency: str) -> str:
    """SVG text. The scale is in thousands of the currency where costs are large."""
    levels = [e.cents / 100 for r in rows for e in (r.low, r.high)] + [best_cents / 100]
    low, high = min(levels), max(levels)
    air = (high - low) * 0.04 or max(1.0, abs(high) * 0.01)
    x = Linear(low - air, high + air, _LEFT + 44, WIDTH_PX - _RIGHT)
    height = _TOP + _ROW * len(rows) + _BOTTOM
    floor = height - _BOTTOM
    unit, word = (1_000_000, f"million {currency}") if high >= 10_000_000 else (1_000, f"thousand {currency}")
    body = [_axis(x, floor, unit, word)]
    middle = x.at(best_cents / 100)
    for n, row in enumerate(rows):
        top = _TOP + n * _ROW
        body.append(f'<text class="mach" x="0" y="{px(top + 19)}">{esc(row.name)}</text>')
        for end, shown, at in ((row.low, "tlow", top + 4), (row.high, "thigh", top + 4 + _BAR)):
            body.append(_bar(end, shown, at, middle, x.at(end.cents / 100)))
    body.append(f'<path class="habitline" d="M{px(middle)} {px(_TOP)}V{px(floor)}"/>')
    described = f"{len(rows)} inputs, the widest first; costs of a year in {currency}. The table below has all figures."
    return frame(element, WIDTH_PX, height, "One input at a time", described, "".join(body))


def _bar(end: TornadoEnd, shown: str, top: float, middle: float, to: float) -> str:
    start, width = min(middle, to), max(abs(to - middle), 0.8)
    before = to < middle
    at, anchor = (to - 5, "end") if before else (to + 5, "start")
    if end.turns:
        at += -12 if before else 12
    turn = ""
    if end.turns:
        centre = to - 7 if before else to + 7
        turn = f'<path class="turn" d="M{px(centre)} {px(top + 1)}l5 5-5 5-5-5z"/>'
    return (
        f'<rect class="{shown}" x="{px(start)}" y="{px(top)}" width="{px(width)}" height="{px(_BAR - 1)}"/>{turn}'
        f'<text class="note" x="{px(at)}" y="{px(top + 9.5)}" text-anchor="{anchor}">{esc(end.value)}</text>'
    )


def _axis(x: Linear, floor: float, unit: int, word: str) -> str:
    lines, text = "", []
    found = ticks(x.low, x.high, 6)
    step = found[1] - found[0] if len(found) > 1 else unit
    decimals = 0 if step >= unit else 1 if step >= unit / 10 else 2
    for value in found:
        at = x.at(value)
        lines += f"M{px(at)} {px(_TOP)}V{px(floor)}"
        text.append(
            f'<text class="note" x="{px(at)}" y="{px(floor + 14)}" text-anchor="middle">'
            f"{number(value / unit, decimals)}</text>"
        )
    text.append(
        f'<text class="note" x="{px((x.start + x.end) / 2)}" y="{px(floor + 30)}" text-anchor="middle">'
        f"cost of a year, {esc(word)}</text>"
    )
    return f'<path class="grid" d="{lines}"/>{"".join(text)}'
