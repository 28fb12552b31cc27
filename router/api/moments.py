"""Moments as requests give them."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

from pydantic import AfterValidator, AwareDatetime


def _in_the_calendar(given: datetime) -> datetime:
    try:
        given.astimezone(UTC)
    except OverflowError:
        raise ValueError("not a moment the calendar of the years 1 to 9999 has in UTC") from None
    return given


Instant = Annotated[AwareDatetime, AfterValidator(_in_the_calendar)]
"""A time with its offset that UTC has a time for as well."""
