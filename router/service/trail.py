"""Who did what."""

from __future__ import annotations

from dataclasses import replace

from router.service.desk import Desk
from router.service.imports import COUNTED, IMPORT
from router.service.paging import filled
from router.service.records import Actor, TrailRecord
from router.service.rights import Operation, require
from router.service.visible import Hidden, hidden_from, names_any, values_told

MOST_TOLD = 50
"""So many changes of the book are told beside a plan that does not know them."""


def list_trail(
    desk: Desk, actor: Actor, before: int | None = None, limit: int = 100, subject: str = ""
) -> list[TrailRecord]:
    """Entries, newest first; those about lines the actor is not cleared for are left out, and words that name one.

    How many lines and models an import brought is told only to whoever may see every line: it counts hidden ones.
    """
    require(actor, Operation.SEE_TRAIL)
    return _entries(desk, actor, before, desk.limits.page(limit), subject)


def _entries(desk: Desk, actor: Actor, before: int | None, limit: int, subject: str) -> list[TrailRecord]:
    def read(place: int | None, many: int) -> list[TrailRecord]:
        with desk.store.look() as work:
            return work.trail.page(place, many, subject)

    return filled(read, before, lambda entry: entry.trail_id, lambda found: _shown(desk, actor, found), limit)


def _shown(desk: Desk, actor: Actor, found: list[TrailRecord]) -> list[TrailRecord]:
    hidden = hidden_from(desk, actor)
    return [
        _told(entry, hidden)
        for entry in found
        if not names_any(entry.subject, hidden.names) and entry.details.get("line_id") not in hidden.lines
    ]


def book_changes(desk: Desk, actor: Actor, since: int) -> list[TrailRecord]:
    """What changed the book after a revision, newest first and as many as are told at a time; for who accepts plans.

    As in the trail: what is about lines the actor is not cleared for is left out.
    """
    require(actor, Operation.ACCEPT_PLAN)

    def read(place: int | None, many: int) -> list[TrailRecord]:
        with desk.store.look() as work:
            # Most plans know everything there is: nothing is looked for then.
            return work.trail.book_changes(since, place, many) if work.revision.now() > since else []

    return filled(read, None, lambda entry: entry.trail_id, lambda found: _shown(desk, actor, found), MOST_TOLD)


def _told(entry: TrailRecord, hidden: Hidden) -> TrailRecord:
    entry = _uncounted(entry) if hidden.lines else entry
    return replace(entry, details=values_told(entry.details, hidden.names))


def _uncounted(entry: TrailRecord) -> TrailRecord:
    """An entry for somebody to whom some lines are hidden: without what an import brought of each kind."""
    if entry.operation != IMPORT:
        return entry
    return replace(entry, details={name: value for name, value in entry.details.items() if name not in COUNTED})


_DECIDED = ("hold", "release", "withdraw", "pin", "unpin", "change line")
"""What is done to a line; other entries about a subject of the same name are of a person or another thing."""


def line_history(desk: Desk, actor: Actor, line_id: str) -> list[TrailRecord]:
    """What was decided about one line, newest first; nothing of one the actor is not cleared for."""
    require(actor, Operation.SEE_BOOK)
    with desk.store.look() as work:
        found = work.trail.page(None, 100, line_id)
    hidden = hidden_from(desk, actor)
    if line_id in hidden.lines:
        return []
    return [_told(entry, hidden) for entry in found if entry.operation in _DECIDED]
