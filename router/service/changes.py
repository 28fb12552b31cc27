"""Every change of the book leaves a trail and raises the revision, in the transaction that makes it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from router.service.desk import Desk
from router.service.ports import Work
from router.service.records import Actor


def noted(work: Work, desk: Desk, actor: Actor, operation: str, subject: str, details: Mapping[str, Any]) -> None:
    """A trail entry for something that does not change the book (a plan accepted, a token made)."""
    work.trail.add(desk.clock(), actor.name, operation, subject, details)


def book_changed(work: Work, desk: Desk, actor: Actor, operation: str, subject: str, details: Mapping[str, Any]) -> int:
    """A trail entry and the next revision of the book."""
    revision = work.revision.raise_it()
    noted(work, desk, actor, operation, subject, {**details, "revision": revision})
    return revision
