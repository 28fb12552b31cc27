"""A planning benchmark case, what an engine is asked, and what it answers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class Ask:
    """``began``: monotonic moment from which ``seconds`` count; ``bound``: a value at which there is nothing to gain;
    ``work``: rounds, for runs without a clock."""

    seconds: float
    seed: int
    workers: int
    began: float
    bound: float | None = None
    work: int | None = None


@dataclass(frozen=True, slots=True)
class Beside:
    """Another engine's value that came out of the same run."""

    value: float
    seconds: float


@dataclass(frozen=True, slots=True)
class Found:
    """What an engine found, judged by the independent check. ``value`` None: nothing sound; ``status`` says why."""

    value: float | None
    bound: float | None = None
    status: str = ""
    to_best_s: float | None = None
    note: str = ""
    rounds: int | None = None
    trace: Sequence[tuple[float, float]] = ()
    """(seconds, value) at each better plan; values as the engine states them."""
    ready_s: float | None = None
    """When the plan was there, where the engine goes on with other work after it."""
    beside: Mapping[str, Beside] = field(default_factory=dict)
    more: Mapping[str, Any] = field(default_factory=dict)
    """Further figures for the record."""


Engine = Callable[[Ask], Found]


@dataclass(frozen=True, slots=True)
class PlanCase:
    """One question, smaller is better.

    ``engines``: by name, in the order they are asked; one that cannot hold the case answers with a status.
    ``bound``: no plan has a smaller value.
    """

    name: str
    family: str
    goal: str
    size: int
    best_known: float | None
    bound: float | None
    engines: Mapping[str, Engine]
    auto_seconds: float
    auto_workers: int = 1
    """Processes of an engine when none are asked for."""
    note: str = ""
    warm_up: Callable[[], None] | None = None
    """Has everything compiled that our engine needs for cases like this."""
    prove: Callable[[float], float | None] | None = None
    """Seconds to a stronger bound than ``bound``; worked out beside the engines, on no engine's clock."""
    prepare_cpsat: Callable[[], None] | None = None
    """Works out tables for the monolithic model that do not depend on dates, before its clock runs."""
    optimal: bool = False
    """Whether ``best_known`` is a proven optimum of the very problem asked (nothing below it can be right)."""
