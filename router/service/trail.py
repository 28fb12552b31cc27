"""Who did what."""

from __future__ import annotations

from router.service.desk import Desk
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
        found = work.trail.page(before, desk.limits.page(limit), subject)
    return [t for t in found if t.subject not in hidden and t.details.get("line_id") not in hidden]


def line_history(desk: Desk, actor: Actor, line_id: str) -> list[TrailRecord]:
    """What was decided about one line, newest first."""
    require(actor, Operation.SEE_BOOK)
    if line_id in hidden_lines(desk, actor):
        return []
    with desk.store.look() as work:
        return work.trail.page(None, 100, line_id)
