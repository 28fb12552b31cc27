"""What a piece costs by quantity, as a curve: quantities on a logarithmic scale, for they are asked for in steps."""

from __future__ import annotations

import math
from collections.abc import Sequence

from router.report.scales import Linear, ticks
from router.report.svg import esc, frame, px
from router.report.wording import number

WIDTH_PX, HEIGHT_PX = 560.0, 230.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 74.0, 14.0, 12.0, 38.0
_APART_PX = 22.0


def quantity_chart(element: str, points: Sequence[tuple[int, float]], own: int, currency: str) -> str:
    """Points (quantity, cost of a piece) by quantity as SVG text; ``own`` is the quantity that is ordered."""
    low, high = min(c for _, c in points), max(c for _, c in points)
    air = (high - low) * 0.08 or max(0.01, high * 0.05)
    first, last = math.log(points[0][0]), math.log(points[-1][0])
    x = Linear(first, last, _LEFT + 8, WIDTH_PX - _RIGHT - 8)
    y = Linear(max(0.0, low - air), high + air, HEIGHT_PX - _BOTTOM, _TOP)
    body = []
    decimals = 0 if high >= 20 else 2
    for value in ticks(y.low, y.high, 5):
        level = y.at(value)
        body.append(
            f'<path class="grid" d="M{px(_LEFT)} {px(level)}H{px(WIDTH_PX - _RIGHT)}"/>'
            f'<text class="note num" x="{px(_LEFT - 8)}" y="{px(level + 4)}" text-anchor="end">'
            f"{number(value, decimals)}</text>"
        )
    labelled = -_APART_PX
    for quantity, _ in points:
        at = x.at(math.log(quantity))
        if at - labelled >= _APART_PX:
            labelled = at
            body.append(
                f'<text class="note" x="{px(at)}" y="{px(HEIGHT_PX - _BOTTOM + 15)}" text-anchor="middle">'
                f"{number(quantity)}</text>"
            )
    middle = px((_TOP + HEIGHT_PX - _BOTTOM) / 2)
    body.append(
        f'<text class="note" x="{px((_LEFT + WIDTH_PX) / 2)}" y="{px(HEIGHT_PX - 6)}" text-anchor="middle">'
        "pieces</text>"
        f'<text class="note" transform="translate(12 {middle}) rotate(-90)" text-anchor="middle">'
        f"a piece, {esc(currency)}</text>"
    )
    places = [(px(x.at(math.log(q))), px(y.at(c))) for q, c in points]
    body.append(f'<path class="incumbent" d="M{"L".join(f"{a} {b}" for a, b in places)}"/>')
    for (quantity, cost), (a, b) in zip(points, places, strict=True):
        told = f"{number(quantity)}: {number(cost, 2)} {currency} a piece{', as ordered' if quantity == own else ''}"
        radius = 6 if quantity == own else 3
        body.append(f'<circle class="dot" cx="{a}" cy="{b}" r="{radius}"><title>{esc(told)}</title></circle>')
    described = (
        f"From {number(points[0][1], 2)} {currency} a piece for {number(points[0][0])} to {number(points[-1][1], 2)} "
        f"for {number(points[-1][0])}; the large dot is the quantity ordered. The table below gives every figure."
    )
    return frame(element, WIDTH_PX, HEIGHT_PX, "Cost of a piece by quantity", described, "".join(body))
