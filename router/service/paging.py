"""A page of a list of which the asker may not see everything: filled up, never cut short by what is left out."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")
P = TypeVar("P")
_AT_LEAST = 200
"""So many entries are read at a time, that a list of which little is shown does not take one query an entry."""


def filled(
    fetch: Callable[[P, int], list[T]],
    start: P,
    place: Callable[[T], P],
    shown: Callable[[list[T]], list[T]],
    limit: int,
) -> list[T]:
    """The first ``limit`` entries that are shown, from ``start`` on.

    ``fetch`` reads so many entries from a place on, ``place`` tells where the list goes on after an entry. ``shown``
    is asked once they are read, and answers with those that are shown, as they are told: what is hidden is looked up
    then, not before, where it could be of a book that does not hold yet what was read.
    """
    found: list[T] = []
    many = max(limit, _AT_LEAST)
    while len(found) < limit:
        read = fetch(start, many)
        found += shown(read)
        if len(read) < many:
            break
        start = place(read[-1])
    return found[:limit]
