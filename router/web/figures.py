"""One figure on a page, with the formula and inputs it is made of."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Figure:
    """``tone`` is good, bad or empty. The formula opens on demand."""

    label: str
    value: str
    note: str = ""
    formula: str = ""
    inputs: tuple[tuple[str, str], ...] = ()
    tone: str = ""
