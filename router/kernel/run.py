"""The run contract of every solver: stop rules, listeners, status."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from router.kernel.faults import CalledOff


class Status(StrEnum):
    """How a run ended. Never merged: a time-out is not an infeasibility."""

    OPTIMAL = "optimal"
    FEASIBLE = "feasible"
    INFEASIBLE = "infeasible"
    NO_SOLUTION_IN_TIME = "no solution in time"
    CANCELLED = "cancelled"
    INVALID_MODEL = "invalid model"


@dataclass(frozen=True, slots=True)
class Progress:
    """What a stop rule may look at."""

    work: int
    """Deterministic units done so far (iterations of the phase)."""
    since_better: int
    """Units since the incumbent last improved."""
    value: float | None
    bound: float | None


class Stop(Protocol):
    """A stop rule: one budget, used once. Returns the reason to stop, or None to go on."""

    def reason(self, progress: Progress) -> str | None: ...


class TimeLimit:
    """Stop when a wall-clock budget is used up, counted from ``since`` (monotonic seconds; now when not given)."""

    def __init__(self, seconds: float, since: float | None = None) -> None:
        self._deadline = (time.monotonic() if since is None else since) + seconds
        self._seconds = seconds

    def reason(self, progress: Progress) -> str | None:
        return f"time limit of {self._seconds:g} s" if time.monotonic() >= self._deadline else None


class WorkLimit:
    """Stop after so many units of work; the same on every machine."""

    def __init__(self, units: int) -> None:
        self._units = units

    def reason(self, progress: Progress) -> str | None:
        return f"work limit of {self._units} units" if progress.work >= self._units else None


class NoBetter:
    """Stop after so many units of work without a better incumbent."""

    def __init__(self, units: int) -> None:
        self._units = units

    def reason(self, progress: Progress) -> str | None:
        return f"no better plan in {self._units} units" if progress.since_better >= self._units else None


class GapReached:
    """Stop when the incumbent is within a relative gap of the bound."""

    def __init__(self, gap: float) -> None:
        self._gap = gap

    def reason(self, progress: Progress) -> str | None:
        if progress.value is None or progress.bound is None:
            return None
        if progress.value <= progress.bound:
            return "bound reached"
        if progress.value <= 0:
            return None
        gap = (progress.value - progress.bound) / progress.value
        return f"gap of {self._gap:.2%} reached" if gap <= self._gap else None


class Flag(Protocol):
    """An event of this process or between processes."""

    def is_set(self) -> bool:
        """Whether it was raised."""
        ...


class Cancelled:
    """Stop when someone sets the event; the incumbent is kept."""

    def __init__(self, event: Flag) -> None:
        self._event = event

    def reason(self, progress: Progress) -> str | None:
        return "cancelled" if self._event.is_set() else None


class AnyOf:
    """Stop at the first reason any of the rules gives."""

    def __init__(self, rules: Sequence[Stop]) -> None:
        self._rules = tuple(rules)

    def reason(self, progress: Progress) -> str | None:
        for rule in self._rules:
            reason = rule.reason(progress)
            if reason is not None:
                return reason
        return None


class Listener(Protocol):
    """Hears of a run as it goes. Values are cents; times are seconds since the start."""

    def phase(self, name: str, total: int | None) -> None: ...
    def step(self, done: int) -> None: ...
    def incumbent(self, value: float, seconds: float) -> None: ...
    def bound(self, value: float, seconds: float) -> None: ...
    def ended(self, status: Status, reason: str) -> None: ...


class Silent:
    """A listener that ignores everything."""

    def phase(self, name: str, total: int | None) -> None:
        return

    def step(self, done: int) -> None:
        return

    def incumbent(self, value: float, seconds: float) -> None:
        return

    def bound(self, value: float, seconds: float) -> None:
        return

    def ended(self, status: Status, reason: str) -> None:
        return


class Passing:
    """Passes everything on to a listener; what is done beside that, its children say."""

    def __init__(self, listener: Listener) -> None:
        self._listener = listener

    def step(self, done: int) -> None:
        self._listener.step(done)

    def phase(self, name: str, total: int | None) -> None:
        self._listener.phase(name, total)

    def incumbent(self, value: float, seconds: float) -> None:
        self._listener.incumbent(value, seconds)

    def bound(self, value: float, seconds: float) -> None:
        self._listener.bound(value, seconds)

    def ended(self, status: Status, reason: str) -> None:
        self._listener.ended(status, reason)


class Heeding(Passing):
    """Passes everything on to a listener, and ends work that hears of no cancel itself: at its next step.

    For work whose steps each leave something whole. ``step`` raises CalledOff once the event has been heard for
    ``grace_s`` seconds, within which the work may still come to its end.
    """

    def __init__(self, listener: Listener, event: Flag | None, grace_s: float = 0.0) -> None:
        super().__init__(listener)
        self._event = event
        self._grace_s = grace_s
        self._heard_s: float | None = None

    def step(self, done: int) -> None:
        if self._event is not None and self._event.is_set():
            now_s = time.monotonic()
            self._heard_s = now_s if self._heard_s is None else self._heard_s
            if now_s - self._heard_s >= self._grace_s:
                raise CalledOff("called off before there was a plan; nothing is kept")
        super().step(done)
