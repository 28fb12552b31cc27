"""Who did what."""

from __future__ import annotations

from dataclasses import replace

from router.service.desk import Desk
from router.service.paging import filled
from router.service.records import Actor, TrailRecord
from router.service.rights import Operation, require
from router.service.visible import hidden_lines, hidden_names, names_any, values_told


def list_trail(
    desk: Desk, actor: Actor, before: int | None = None, limit: int = 100, subject: str = ""
) -> list[TrailRecord]:
    """Entries, newest first; those about lines the actor is not cleared for are left out, and words that name one."""
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
    return [_told(entry, names) for entry in found]


def _told(entry: TrailRecord, names: frozenset[str]) -> TrailRecord:
    return replace(entry, details=values_told(entry.details, names))


def line_history(desk: Desk, actor: Actor, line_id: str) -> list[TrailRecord]:
    """What was decided about one line, newest first."""
    require(actor, Operation.SEE_BOOK)
    if line_id in hidden_lines(desk, actor):
        return []
    with desk.store.look() as work:
        found = work.trail.page(None, 100, line_id)
    names = hidden_names(desk, actor)
    return [_told(entry, names) for entry in found]
