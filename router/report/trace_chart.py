"""How the best known plan got cheaper while the run went on, above the proven bound."""

from __future__ import annotations

from collections.abc import Sequence

from router.domain.result import TracePoint
from router.report.scales import Linear, ticks
from router.report.svg import esc, frame, px
from router.report.wording import number

WIDTH_PX, HEIGHT_PX = 760.0, 260.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 84.0, 132.0, 12.0, 34.0


def trace_chart(
    element: str, trace: Sequence[TracePoint], seconds: float, bound_cents: int | None, habit_cents: int, currency: str
) -> str:
    """Steps of the incumbent over seconds, today's habit and the bound as level lines, as SVG text."""
    levels = [p.landed_cents / 100 for p in trace] + [habit_cents / 100]
    levels += [bound_cents / 100] if bound_cents is not None else []
    low, high = min(levels), max(levels)
    air = (high - low) * 0.06 or max(1.0, high * 0.01)
    last = max([seconds, *(p.seconds for p in trace)]) or 1.0
    x = Linear(0, last, _LEFT, WIDTH_PX - _RIGHT)
    y = Linear(low - air, high + air, HEIGHT_PX - _BOTTOM, _TOP)
    body = [_axes(x, y, currency)]
    marks = [("habit", habit_cents, "today's habit")]
    marks += [("bound", bound_cents, "proven bound")] if bound_cents is not None else []
    for shown, cents, word in marks:
        level = y.at(cents / 100)
        body.append(
            f'<path class="{shown}line" d="M{px(_LEFT)} {px(level)}H{px(WIDTH_PX - _RIGHT)}"/>'
            f'<text class="note" x="{px(WIDTH_PX - _RIGHT + 6)}" y="{px(level + 4)}">{word}</text>'
        )
    if trace:
        body.append(_steps(trace, x, y, last, [y.at(cents / 100) for _, cents, _ in marks]))
    described = (
        f"{len(trace)} plans, each better than the one before"
        + (
            f", from {number(trace[0].landed_cents / 100)} to {number(trace[-1].landed_cents / 100)} {currency}"
            if trace
            else ""
        )
        + f"; today's habit {number(habit_cents / 100)} {currency}"
        + (
            f"; proven bound {number(bound_cents / 100)} {currency}."
            if bound_cents is not None
            else "; no bound proven."
        )
    )
    return frame(element, WIDTH_PX, HEIGHT_PX, "Landed cost of the best plan during the run", described, "".join(body))


def _steps(trace: Sequence[TracePoint], x: Linear, y: Linear, last: float, taken: Sequence[float]) -> str:
    first = trace[0]
    path = f"M{px(x.at(first.seconds))} {px(y.at(first.landed_cents / 100))}"
    dots = ""
    for point in trace:
        path += f"H{px(x.at(point.seconds))}V{px(y.at(point.landed_cents / 100))}"
        dots += f"M{px(x.at(point.seconds))} {px(y.at(point.landed_cents / 100))}h0"
    path += f"H{px(x.at(last))}"
    level = y.at(trace[-1].landed_cents / 100)
    shift = 12 if any(level - 14 < other <= level for other in taken) else -4 if any(
        level < other < level + 14 for other in taken) else 4  # fmt: skip
    return (
        f'<path class="incumbent" d="{path}"/><path class="dots" d="{dots}"/>'
        f'<text class="note strong" x="{px(WIDTH_PX - _RIGHT + 6)}" y="{px(level + shift)}">this plan</text>'
    )


def _axes(x: Linear, y: Linear, currency: str) -> str:
    text, lines = [], ""
    for value in ticks(y.low, y.high, 8):
        level = y.at(value)
        lines += f"M{px(x.start)} {px(level)}H{px(x.end)}"
        text.append(
            f'<text class="note num" x="{px(x.start - 8)}" y="{px(level + 4)}" text-anchor="end">{number(value)}</text>'
        )
    for value in ticks(x.low, x.high, 8):
        at = x.at(value)
        text.append(f'<text class="note num" x="{px(at)}" y="{px(y.start + 15)}" text-anchor="middle">{value:g}</text>')
    text.append(
        f'<text class="note" x="{px((x.start + x.end) / 2)}" y="{px(y.start + 29)}" text-anchor="middle">seconds</text>'
        f'<text class="note" transform="translate(10 {px((y.start + y.end) / 2)}) rotate(-90)" text-anchor="middle">'
        f"landed cost, {esc(currency)}</text>"
    )
    return f'<path class="grid" d="{lines}"/>{"".join(text)}'
