"""Scales of the figures: from values to places on the drawing, with round ticks."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo


@dataclass(frozen=True, slots=True)
class Linear:
    """A straight scale from ``[low, high]`` to ``[start, end]`` px."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Place of a value; everything lands in the middle when the scale has no extent."""
        if self.high == self.low:
            return (self.start + self.end) / 2
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)


def ticks(low: float, high: float, about: int) -> tuple[float, ...]:
    """Round values within [low, high], steps of 1, 2, 2.5 or 5 times a power of ten, roughly ``about`` of them."""
    if not high > low:
        return (low,)
    rough = (high - low) / max(about, 1)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1, 2, 2.5, 5, 10) if m * power >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return tuple(n * step for n in range(first, last + 1))


@dataclass(frozen=True, slots=True)
class TimeScale:
    """Elapsed time to px: one day of 24 elapsed hours is ``day_px`` wide everywhere, also across a clock change."""

    start: datetime
    end: datetime
    day_px: float

    def at(self, moment: datetime) -> float:
        """Place of an aware moment, held within the scale."""
        held = min(max(moment, self.start), self.end)
        return (held - self.start) / timedelta(days=1) * self.day_px

    @property
    def width_px(self) -> float:
        """Width of the whole scale."""
        return self.at(self.end)


def local_midnights(start: datetime, end: datetime, zone: ZoneInfo) -> Iterator[tuple[date, datetime]]:
    """Every local date that begins within [start, end), with the moment (UTC) at which it does."""
    day = start.astimezone(zone).date()
    while True:
        moment = day_start(day, zone)
        if moment >= end:
            return
        if moment >= start:
            yield day, moment
        day += timedelta(days=1)


def day_start(day: date, zone: ZoneInfo) -> datetime:
    """Local midnight at the start of a date, in UTC."""
    return datetime.combine(day, time(0), tzinfo=zone).astimezone(UTC)
