"""Names that a line under export control had before it was changed stay as secret as those it has."""

from __future__ import annotations

from router.service.ports import Work
from router.service.records import FormerName, LineRecord
from router.service.visible import names_of


def remember_names(work: Work, before: LineRecord, after: LineRecord) -> None:
    """Keep the names a line loses by a change: texts that hold them were written and go on telling of it.

    Of lines that are under no code before nor after nothing is kept.
    """
    if before.export_control is None and after.export_control is None:
        return
    lost = names_of(before) - names_of(after)
    work.lines.remember(FormerName(before.line_id, name, before.export_control) for name in sorted(lost))
