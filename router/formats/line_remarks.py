"""What deserves a look in order lines that can be read: no faults, but often a word or a year that was mistyped."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable
from datetime import datetime, timedelta

from router.domain.network import Network
from router.domain.nowhere import alloy_nowhere, code_nowhere, step_nowhere
from router.domain.orders import OrderLine

_MOST_NAMED = 5


def line_remarks(lines: Iterable[OrderLine], network: Network, now: datetime | None = None) -> tuple[str, ...]:
    """One sentence for every word that lines ask for and no site has, and for dates that no order of ``now`` has.

    ``now`` is the network's unless told: the moment that is planned from.
    """
    lines = tuple(lines)
    return _words_nobody_has(lines, network) + _odd_dates(lines, now or network.now)


def _odd_dates(lines: Iterable[OrderLine], now: datetime) -> tuple[str, ...]:
    """Received after the moment that is planned from, or due on a day before it."""
    today = now.date()
    ahead = {x.line_id: math.ceil((x.received_at - now) / timedelta(days=1)) for x in lines if x.received_at > now}
    past = {x.line_id: (today - x.due_date).days for x in lines if x.due_date < today}
    said = []
    if ahead:
        said.append(f"{_named(list(ahead))}: received {_days(ahead.values())} after now ({today}); is the year right?")
    if past:
        said.append(f"{_named(list(past))}: due before now ({today}), by {_days(past.values())}; is the year right?")
    return tuple(said)


def _days(counts: Collection[int]) -> str:
    low, high = min(counts), max(counts)
    return f"{high} day{'s' if high != 1 else ''}" if low == high else f"{low} to {high} days"


def _words_nobody_has(lines: Iterable[OrderLine], network: Network) -> tuple[str, ...]:
    asking: dict[tuple[str, str], list[str]] = {}
    why: dict[tuple[str, str], str | None] = {}
    for line in lines:
        words: list[tuple[str, str, Callable[[Network, str], str | None]]]
        words = [("accreditation", code, code_nowhere) for code in line.accreditations]
        if line.export_control is not None:
            words.append(("registration", line.export_control, code_nowhere))
        words.append(("alloy", line.alloy_id, alloy_nowhere))
        for what, name, look in words:
            if (what, name) not in why:
                why[what, name] = look(network, name)
            if why[what, name]:
                asking.setdefault((what, name), []).append(line.line_id)
        for step in line.steps:
            key = ("step", step.replace("_", " "))
            if key not in why:
                why[key] = step_nowhere(network, step)
            if why[key]:
                asking.setdefault(key, []).append(line.line_id)
    return tuple(f"{_named(ids)}: {what} '{name}': {why[what, name]}" for (what, name), ids in asking.items())


def _named(ids: list[str]) -> str:
    if len(ids) == 1:
        return f"line {ids[0]}"
    more = f" and {len(ids) - _MOST_NAMED} more" if len(ids) > _MOST_NAMED else ""
    return f"lines {', '.join(ids[:_MOST_NAMED])}{more}"
