"""Points in time: timezone-aware datetimes at the edge, whole minutes since 1970 UTC inside.

A minute is the planning grain. Adding minutes is adding elapsed time, so a shift across a clock
change comes out right without further thought.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

Minute = int
"""Minutes since 1970-01-01T00:00Z."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def to_minute(moment: datetime) -> Minute:
    """Whole minute of an aware datetime, rounded up so that nothing happens before it is said to.

    Raises ValueError for a naive datetime.
    """
    if moment.tzinfo is None:
        raise ValueError(f"a time needs a zone: {moment.isoformat()}")
    seconds = (moment - _EPOCH) / timedelta(seconds=1)
    return -int(-seconds // 60)


def to_datetime(minute: Minute) -> datetime:
    """The UTC datetime of a minute."""
    return _EPOCH + timedelta(minutes=minute)
