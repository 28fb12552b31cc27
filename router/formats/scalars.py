"""Single values of the input files: what is accepted, in which bounds, and the sentence that says so.

Every type here turns a raw YAML value (text, int, Decimal, bool, None) or the text of an order book cell into
a Python value, or refuses with a sentence that reads on after ``expected``. The same class describes
itself in the published JSON Schema, so the schema and the reader cannot drift apart.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, time
from decimal import Decimal, InvalidOperation
from typing import Annotated, Any, cast
from zoneinfo import ZoneInfo

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from router.formats.countries import country_hint, country_names
from router.formats.wording import one_of

LARGEST_NUMBER = Decimal(10) ** 12
"""No length, mass, price or duration of this trade comes near; larger values are typing errors."""
_LEAST_PER_CENT = 2
"""A share beyond its bounds, of so much or more, was written in per cent; less is another slip."""
FIRST_YEAR, LAST_YEAR = 2000, 2100
LONGEST_LIFE_YEARS = 50
"""Machines are written off in ten years or so, halls in fifty (common practice, no source)."""
HIGHEST_GROWTH = 3
"""Demand four times over; what is more is a slip (common practice, no source)."""
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_IDENT = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}")
_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)", re.ASCII)
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_MOMENT = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2})?( ?Z|[+-]\d{2}:\d{2})?", re.ASCII)


def refusal(expected: str) -> PydanticCustomError:
    """The error a value is refused with; its text is the ``expected`` of the fault."""
    return PydanticCustomError("expected", "{want}", {"want": expected})


def has_control_characters(text: str) -> bool:
    """True when a character is there that no name or note needs (line ends and tabs included)."""
    return any(
        ord(c) < 32 or 127 <= ord(c) < 160 or c in "\u2028\u2029\ufeff" or "\ud800" <= c <= "\udfff" for c in text
    )


def _decimal(raw: object, want: str) -> Decimal:
    if isinstance(raw, bool) or not isinstance(raw, (int, Decimal, str, float)):
        raise refusal(want)
    text = str(raw).strip()
    if len(text) > 40 or not _NUMBER.fullmatch(text):
        raise refusal(want)
    try:
        value = Decimal(text)
    except InvalidOperation as wrong:
        raise refusal(want) from wrong
    if not value.is_finite() or abs(value) > LARGEST_NUMBER:
        raise refusal(want)
    return value


class Scalar:
    """Base of the markers used as ``Annotated[type, Marker(...)]``."""

    def schema(self) -> dict[str, Any]:
        raise TypeError(f"{type(self).__name__} must describe itself")

    def parse(self, raw: object, zone: ZoneInfo | None) -> object:
        raise TypeError(f"{type(self).__name__} must read a value")

    def __get_pydantic_core_schema__(self, source: object, handler: GetCoreSchemaHandler) -> CoreSchema:
        def read(raw: object, info: core_schema.ValidationInfo) -> object:
            zone = info.context.get("zone") if isinstance(info.context, dict) else None
            return self.parse(raw, zone)

        return core_schema.with_info_plain_validator_function(read)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return self.schema()


@dataclass(frozen=True)
class Real(Scalar):
    """A finite number, plain or in scientific notation; ``above`` is exclusive, ``least`` and ``most`` inclusive."""

    above: float | None = None
    least: float | None = None
    most: float | None = None
    per_cent: bool = False
    """A share of 1 that people are used to write in per cent: a refusal says what that would be."""

    def want(self) -> str:
        bounds = [
            f"greater than {self.above:g}" if self.above is not None else "",
            f"at least {self.least:g}" if self.least is not None else "",
            f"at most {self.most:g}" if self.most is not None else "",
        ]
        return " ".join(["a number", " and ".join(b for b in bounds if b)]).strip()

    def parse(self, raw: object, zone: ZoneInfo | None) -> float:
        value = float(_decimal(raw, self.want()))
        if self._holds(value):
            return value
        meant = self.per_cent and abs(value) >= _LEAST_PER_CENT and self._holds(value / 100)
        raise refusal(self.want() + (f"; did you mean {value / 100:g}?" if meant else ""))

    def _holds(self, value: float) -> bool:
        low = (self.above is not None and value <= self.above) or (self.least is not None and value < self.least)
        return not low and (self.most is None or value <= self.most)

    def schema(self) -> dict[str, Any]:
        bounds = {"exclusiveMinimum": self.above, "minimum": self.least, "maximum": self.most}
        return {"type": "number", **{k: v for k, v in bounds.items() if v is not None}}


@dataclass(frozen=True)
class Whole(Scalar):
    """A whole number between ``least`` and ``most``, both included."""

    least: int = 0
    most: int = 1_000_000

    def parse(self, raw: object, zone: ZoneInfo | None) -> int:
        want = f"a whole number from {self.least} to {self.most}"
        value = _decimal(raw, want)
        if value != value.to_integral_value() or not self.least <= value <= self.most:
            raise refusal(want)
        return int(value)

    def schema(self) -> dict[str, Any]:
        return {"type": "integer", "minimum": self.least, "maximum": self.most}


@dataclass(frozen=True)
class Money(Scalar):
    """An amount in currency units with at most two decimals, turned exactly into whole cents."""

    most: int = 100_000_000

    def parse(self, raw: object, zone: ZoneInfo | None) -> int:
        want = f"an amount of money from 0 to {self.most} with at most two decimals, e.g. 58.00"
        cents = _decimal(raw, want) * 100
        if cents != cents.to_integral_value() or not 0 <= cents <= self.most * 100:
            raise refusal(want)
        return int(cents)

    def schema(self) -> dict[str, Any]:
        return {"type": "number", "minimum": 0, "maximum": self.most}


@dataclass(frozen=True)
class Switch(Scalar):
    """Yes or no: ``true``/``false``; in an order book also ``yes``/``no`` in any case."""

    def parse(self, raw: object, zone: ZoneInfo | None) -> bool:
        if isinstance(raw, bool):
            return raw
        word = raw.strip().lower() if isinstance(raw, str) else ""
        if word in ("true", "yes"):
            return True
        if word in ("false", "no"):
            return False
        raise refusal("true or false (or yes or no)")

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [{"type": "boolean"}, {"enum": ["yes", "no"]}]}


@dataclass(frozen=True)
class Text(Scalar):
    """A line of text without control characters, ends trimmed."""

    most: int = 200
    least: int = 1

    def parse(self, raw: object, zone: ZoneInfo | None) -> str:
        want = f"text of {self.least} to {self.most} characters on one line, without control characters"
        if isinstance(raw, bool) or not isinstance(raw, (str, int)):
            raise refusal(want)
        text = str(raw).strip()
        if not self.least <= len(text) <= self.most or has_control_characters(text):
            raise refusal(want)
        return text

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "minLength": self.least, "maxLength": self.most}


@dataclass(frozen=True)
class Ident(Scalar):
    """A short name others refer to."""

    def parse(self, raw: object, zone: ZoneInfo | None) -> str:
        text = str(raw).strip() if isinstance(raw, (str, int)) and not isinstance(raw, bool) else ""
        if not _IDENT.fullmatch(text):
            raise refusal("a name of 1 to 40 letters, digits, '.', '_' or '-', beginning with a letter or digit")
        return text

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": f"^{_IDENT.pattern}$"}


@dataclass(frozen=True)
class CountryCode(Scalar):
    """A country as ISO 3166-1 alpha-2."""

    def parse(self, raw: object, zone: ZoneInfo | None) -> str:
        text = raw.strip() if isinstance(raw, str) else ""
        if text not in country_names():
            raise refusal(country_hint(text))
        return text

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": "^[A-Z]{2}$"}


@dataclass(frozen=True)
class Choice(Scalar):
    """One of a few words."""

    words: tuple[str, ...]

    def parse(self, raw: object, zone: ZoneInfo | None) -> str:
        text = raw.strip() if isinstance(raw, str) else ""
        if text not in self.words:
            raise refusal(one_of(text, self.words))
        return text

    def schema(self) -> dict[str, Any]:
        return {"enum": list(self.words)}


@dataclass(frozen=True)
class Day(Scalar):
    """A calendar date, ISO 8601."""

    def parse(self, raw: object, zone: ZoneInfo | None) -> date:
        return parse_day(raw)

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "format": "date"}


@dataclass(frozen=True)
class Clock(Scalar):
    """Wall-clock time of day, 24 hours."""

    def parse(self, raw: object, zone: ZoneInfo | None) -> time:
        match = _CLOCK.fullmatch(raw.strip()) if isinstance(raw, str) else None
        if match is None:
            raise refusal("a time of day from 00:00 to 23:59, e.g. 06:30")
        return time(int(match[1]), int(match[2]))

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": f"^({_CLOCK.pattern})$"}


@dataclass(frozen=True)
class Moment(Scalar):
    """A point in time, ISO 8601.

    Without an offset it is wall time in the network's ``time_zone``; with neither it is refused.
    """

    def parse(self, raw: object, zone: ZoneInfo | None) -> datetime:
        return parse_moment(raw, zone)

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": f"^({_MOMENT.pattern}|{_DAY.pattern})$"}


@dataclass(frozen=True)
class Weekdays(Scalar):
    """Days of the week: ``mon-fri``, ``sat`` or ``mon, wed, fri``; in YAML also a list. 0 is Monday."""

    def parse(self, raw: object, zone: ZoneInfo | None) -> tuple[int, ...]:
        want = "weekdays such as 'mon-fri', 'sat' or 'mon, wed, fri'"
        words = raw.split(",") if isinstance(raw, str) else cast("list[object]", raw) if isinstance(raw, list) else []
        days: set[int] = set()
        for word in words:
            ends = str(word).strip().lower().split("-")
            if len(ends) > 2 or any(e.strip() not in WEEKDAYS for e in ends):
                raise refusal(want)
            first, last = WEEKDAYS.index(ends[0].strip()), WEEKDAYS.index(ends[-1].strip())
            days |= {(first + k) % 7 for k in range((last - first) % 7 + 1)}
        if not days:
            raise refusal(want)
        return tuple(sorted(days))

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [{"type": "string"}, {"type": "array", "items": {"enum": list(WEEKDAYS)}, "minItems": 1}]}


def parse_day(raw: object) -> date:
    """A date between 2000 and 2100; refuses anything else."""
    want = f"a date such as 2027-03-15, between the years {FIRST_YEAR} and {LAST_YEAR}"
    text = raw.strip() if isinstance(raw, str) else ""
    if not _DAY.fullmatch(text):
        raise refusal(want)
    try:
        day = date.fromisoformat(text)
    except ValueError as wrong:
        raise refusal(want) from wrong
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise refusal(want)
    return day


def parse_moment(raw: object, zone: ZoneInfo | None) -> datetime:
    """An aware datetime; a bare date is its first minute. ``zone`` supplies what a text without offset lacks."""
    want = f"a time such as 2027-03-15T06:00-05:00 or 2027-03-15T11:00Z, between the years {FIRST_YEAR} and {LAST_YEAR}"
    text = raw.strip() if isinstance(raw, str) else ""
    if _DAY.fullmatch(text):
        moment = datetime.combine(parse_day(text), time(0))
    elif _MOMENT.fullmatch(text):
        try:
            moment = datetime.fromisoformat(text.replace(" Z", "Z").replace(" ", "T"))
        except ValueError as wrong:
            raise refusal(want) from wrong
    else:
        raise refusal(want)
    if not FIRST_YEAR <= moment.year <= LAST_YEAR:
        raise refusal(want)
    if moment.tzinfo is None:
        if zone is None:
            raise refusal("a time with its offset, e.g. 2027-03-15T06:00-05:00, or a time_zone in network.yaml")
        moment = moment.replace(tzinfo=zone)
    return moment


Reader = Callable[[object], object]
PositiveNumber = Annotated[float, Real(above=0)]
NumberFromZero = Annotated[float, Real(least=0)]
Fraction = Annotated[float, Real(least=0, most=1)]
PositiveFraction = Annotated[float, Real(above=0, most=1)]
LifeYears = Annotated[float, Real(above=0, most=LONGEST_LIFE_YEARS)]
Cents = Annotated[int, Money()]
Minutes = Annotated[int, Whole(0, 100_000)]
Flag = Annotated[bool, Switch()]
Line = Annotated[str, Text()]
Name = Annotated[str, Ident()]
Country = Annotated[str, CountryCode()]
ClockTime = Annotated[time, Clock()]
CalendarDay = Annotated[date, Day()]
PointInTime = Annotated[datetime, Moment()]
Days = Annotated[tuple[int, ...], Weekdays()]
