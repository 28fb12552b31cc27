"""How figures are written: money, numbers, moments, names of steps."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from router.domain.sites import Step

MINUS = "\u2212"
NBSP = "\u00a0"
NONE = "\u2013"
"""Stands where there is no figure."""

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def number(value: float, decimals: int = 0) -> str:
    """With thousands separators and a true minus sign; a value that rounds to zero has no sign."""
    text = f"{abs(value):,.{decimals}f}"
    negative = value < 0 and any(c in "123456789" for c in text)
    return (MINUS if negative else "") + text


def signed(value: float, decimals: int = 0) -> str:
    """As `number`, with a plus sign before what is more than nothing."""
    text = number(value, decimals)
    return "+" + text if value > 0 and any(c in "123456789" for c in text) else text


def money(cents: int, currency: str, decimals: int = 0) -> str:
    """``12,345 EUR``."""
    return f"{number(cents / 100, decimals)}{NBSP}{currency}"


def signed_money(cents: int, currency: str) -> str:
    """A difference to the cent: ``+12.34 EUR``, a true minus sign, no sign before nothing."""
    return f"{signed(cents / 100, 2)}{NBSP}{currency}"


def percent(share: float, decimals: int = 1) -> str:
    """A share as per cent."""
    return f"{number(100 * share, decimals)}{NBSP}%"


def count(n: int, one: str, many: str | None = None) -> str:
    """``1 build``, ``1,204 builds``."""
    return f"{number(n)} {one if n == 1 else many or one + 's'}"


def day(value: date) -> str:
    """``Mon 30 Nov``."""
    return f"{_DAYS[value.weekday()]} {value.day} {_MONTHS[value.month - 1]}"


def full_day(value: date) -> str:
    """``Mon 30 Nov 2026``."""
    return f"{day(value)} {value.year}"


def moment(value: datetime, zone: ZoneInfo) -> str:
    """``Mon 30 Nov 14:05`` on the clock of the zone."""
    local = value.astimezone(zone)
    return f"{day(local.date())} {local:%H:%M}"


def clock(value: datetime, zone: ZoneInfo) -> str:
    """``Mon 30 Nov 14:05 CET``: a moment for pages where several clocks stand together."""
    return f"{moment(value, zone)} {_zone_letters(value, zone)}"


def full_clock(value: datetime, zone: ZoneInfo) -> str:
    """``Mon 30 Nov 2026 14:05 CET``."""
    local = value.astimezone(zone)
    return f"{full_day(local.date())} {local:%H:%M} {_zone_letters(value, zone)}"


def _zone_letters(value: datetime, zone: ZoneInfo) -> str:
    name = value.astimezone(zone).tzname() or ""
    # Zones without letters of their own are called by their offset, as in "-03".
    return "UTC" + name if name[:1] in ("+", "-") else name


def span(start: datetime, end: datetime, zone: ZoneInfo) -> str:
    """From one moment to another; the second date is left out when it is the first one."""
    first, last = start.astimezone(zone), end.astimezone(zone)
    until = f"{last:%H:%M}" if first.date() == last.date() else moment(end, zone)
    return f"{moment(start, zone)} \u2013 {until}"


def days(n: int) -> str:
    """``1 day``, ``3 days``."""
    return count(n, "day")


def duration(span: timedelta) -> str:
    """``45 min``, ``7.5 h`` or, from two days on, ``2.6 days``."""
    hours = span / timedelta(hours=1)
    if hours < 1:
        return f"{round(hours * 60)} min"
    return f"{number(hours, 1)} h" if hours < 48 else f"{number(hours / 24, 1)} days"


def clock_time(seconds: float) -> str:
    """A run time: ``41.2 s`` or ``3 min 05 s``."""
    if seconds < 120:
        return f"{number(seconds, 1)} s"
    whole = round(seconds)
    return f"{whole // 60} min {whole % 60:02d} s"


def step_name(step: Step) -> str:
    """A step in plain words, e.g. ``HIP``, ``stress relief``."""
    spelled = {Step.HIP: "HIP", Step.CT_INSPECTION: "CT inspection"}
    return spelled.get(step, step.value.replace("_", " "))


def listed(items: Iterable[str], last: str = "and") -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    names = list(items)
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} {last} {names[-1]}"


def slug(text: str) -> str:
    """Letters, digits and single hyphens, for an anchor."""
    return re.sub(r"[^A-Za-z0-9]+", "-", text).strip("-") or "x"


def anchors(prefix: str, names: Iterable[str]) -> dict[str, str]:
    """An element id for every name, no two alike even when names differ only in signs."""
    made: dict[str, str] = {}
    taken: set[str] = set()
    for name in names:
        if name in made:
            continue
        base = candidate = f"{prefix}-{slug(name)}"
        again = 1
        while candidate in taken:
            again += 1
            candidate = f"{base}-{again}"
        taken.add(candidate)
        made[name] = candidate
    return made
