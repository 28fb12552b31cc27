"""Who did what."""

from __future__ import annotations

from router.service.desk import Desk
from router.service.paging import filled
from router.service.records import Actor, TrailRecord
from router.service.rights import Operation, require
from router.service.visible import hidden_lines


def list_trail(
    desk: Desk, actor: Actor, before: int | None = None, limit: int = 100, subject: str = ""
) -> list[TrailRecord]:
    """Entries, newest first; those about lines the actor is not cleared for are left out."""
    require(actor, Operation.SEE_TRAIL)
    hidden = hidden_lines(desk, actor)
    with desk.store.look() as work:
        return filled(
            lambda place, many: work.trail.page(place, many, subject),
            before,
            lambda entry: entry.trail_id,
            lambda entry: entry.subject not in hidden and entry.details.get("line_id") not in hidden,
            desk.limits.page(limit),
        )


def line_history(desk: Desk, actor: Actor, line_id: str) -> list[TrailRecord]:
    """What was decided about one line, newest first."""
    require(actor, Operation.SEE_BOOK)
    if line_id in hidden_lines(desk, actor):
        return []
    with desk.store.look() as work:
        return work.trail.page(None, 100, line_id)
