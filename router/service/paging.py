"""A page of a list of which the asker may not see everything: filled up, never cut short by what is left out."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")
P = TypeVar("P")
_AT_LEAST = 200
"""So many entries are read at a time, that a list of which little is shown does not take one query an entry."""


def filled(
    fetch: Callable[[P, int], list[T]], start: P, place: Callable[[T], P], shown: Callable[[T], bool], limit: int
) -> list[T]:
    """The first ``limit`` entries that are shown, from ``start`` on.

    ``fetch`` reads so many entries from a place on, ``place`` tells where the list goes on after an entry.
    """
    found: list[T] = []
    many = max(limit, _AT_LEAST)
    while len(found) < limit:
        read = fetch(start, many)
        found += [entry for entry in read if shown(entry)]
        if len(read) < many:
            break
        start = place(read[-1])
    return found[:limit]
