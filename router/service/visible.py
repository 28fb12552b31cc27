"""What an actor may see of the lines in a plan: export-controlled ones are for cleared people only."""

from __future__ import annotations

import re
from collections.abc import Collection

from router.service.desk import Desk
from router.service.records import Actor
from router.service.rights import may_see_code

RESTRICTED_TEXT = "about a line you are not cleared for"
_NAMES = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*[A-Za-z0-9]|[A-Za-z0-9]")


def hidden_lines(desk: Desk, actor: Actor) -> frozenset[str]:
    """Lines of the book the actor is not cleared for."""
    with desk.store.look() as work:
        revision = work.revision.now()

    def make() -> dict[str, str]:
        with desk.store.look() as work:
            return {x.line_id: x.export_control for x in work.lines.all() if x.export_control is not None}

    codes: dict[str, str] = desk.memory.get(("codes", revision), make)
    return frozenset(line_id for line_id, code in codes.items() if not may_see_code(actor, code))


def told(text: str, hidden: Collection[str]) -> str:
    """A sentence for somebody who may not see some lines: one that names such a line is not shown."""
    words = set(_NAMES.findall(text))
    return RESTRICTED_TEXT if words & set(hidden) else text
