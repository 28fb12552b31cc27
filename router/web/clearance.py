"""What to do about lines that are not shown: who can clear the reader for them."""

from __future__ import annotations

from router.service.people import list_people
from router.service.records import Role
from router.web.reading import Reader

_NOT_SHOWN = (
    "Some lines of the book are not shown: they are under export control, and you are not cleared for their code."
)


def not_shown_words(reader: Reader) -> str:
    """Why lines are missing and who changes it; for somebody to whom some are hidden."""
    if reader.actor.person.role is not Role.ADMINISTRATOR:
        return f"{_NOT_SHOWN} An administrator can clear you."
    others = [
        p
        for p in list_people(reader.desk, reader.actor)
        if p.role is Role.ADMINISTRATOR and p.active and p.person_id != reader.actor.person.person_id
    ]
    said = f"{_NOT_SHOWN} Nobody clears themselves: another administrator does it on the page People."
    return said if others else f"{said} There is none yet; add one there, who signs in and clears you."
