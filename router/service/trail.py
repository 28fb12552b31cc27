"""Who did what."""

from __future__ import annotations

from dataclasses import replace

from router.service.desk import Desk
from router.service.imports import COUNTED, IMPORT
from router.service.paging import filled
from router.service.records import Actor, TrailRecord
from router.service.rights import Operation, require
from router.service.visible import hidden_lines, hidden_names, names_any, values_told


def list_trail(
    desk: Desk, actor: Actor, before: int | None = None, limit: int = 100, subject: str = ""
) -> list[TrailRecord]:
    """Entries, newest first; those about lines the actor is not cleared for are left out, and words that name one.

    How many lines and models an import brought is told only to whoever may see every line: it counts hidden ones.
    """
    require(actor, Operation.SEE_TRAIL)
    hidden, names = hidden_lines(desk, actor), hidden_names(desk, actor)
    with desk.store.look() as work:
        found = filled(
            lambda place, many: work.trail.page(place, many, subject),
            before,
            lambda entry: entry.trail_id,
            lambda entry: not names_any(entry.subject, names) and entry.details.get("line_id") not in hidden,
            desk.limits.page(limit),
        )
    return [_told(_uncounted(entry) if hidden else entry, names) for entry in found]


def _told(entry: TrailRecord, names: frozenset[str]) -> TrailRecord:
    return replace(entry, details=values_told(entry.details, names))


def _uncounted(entry: TrailRecord) -> TrailRecord:
    """An entry for somebody to whom some lines are hidden: without what an import brought of each kind."""
    if entry.operation != IMPORT:
        return entry
    return replace(entry, details={name: value for name, value in entry.details.items() if name not in COUNTED})


def line_history(desk: Desk, actor: Actor, line_id: str) -> list[TrailRecord]:
    """What was decided about one line, newest first."""
    require(actor, Operation.SEE_BOOK)
    if line_id in hidden_lines(desk, actor):
        return []
    with desk.store.look() as work:
        found = work.trail.page(None, 100, line_id)
    names = hidden_names(desk, actor)
    return [_told(entry, names) for entry in found]
