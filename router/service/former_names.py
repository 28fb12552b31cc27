"""Names that a line under export control had before it was changed stay as secret as those it has."""

from __future__ import annotations

from collections.abc import Sequence

from router.service.ports import Work
from router.service.records import FormerName, LineRecord
from router.service.visible import names_of


def remember_names(work: Work, before: LineRecord, after: LineRecord) -> None:
    """Keep the names a line loses by a change: texts that hold them were written and go on telling of it."""
    work.lines.remember(names_lost(before, after))


def names_lost(before: LineRecord, after: LineRecord) -> Sequence[FormerName]:
    """The names a line loses by a change; none for a line that is under no code before nor after."""
    if before.export_control is None and after.export_control is None:
        return ()
    lost = names_of(before) - names_of(after)
    return [FormerName(before.line_id, name, before.export_control) for name in sorted(lost)]
