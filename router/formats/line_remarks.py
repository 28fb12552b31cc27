"""What deserves a look in order lines that can be read: no faults, but often a word that was misspelt."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from router.domain.network import Network
from router.domain.nowhere import alloy_nowhere, code_nowhere, step_nowhere
from router.domain.orders import OrderLine

_MOST_NAMED = 5


def line_remarks(lines: Iterable[OrderLine], network: Network) -> tuple[str, ...]:
    """One sentence for every word that lines ask for and no site of the network has, with the lines."""
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
