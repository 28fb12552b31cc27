"""A short page of sentences and tables, for results that are not a plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from router.report.templates_of import templates_of


@dataclass(frozen=True, slots=True)
class Table:
    """A table: what it shows, its heading, its rows of texts or numbers, as long as the heading."""

    title: str
    heading: Sequence[str]
    rows: Sequence[Sequence[str | float]]


def plain_page(title: str, note: str, said: Sequence[str], tables: Sequence[Table]) -> str:
    """A page that stands alone: no script, nothing fetched. ``note`` is shown on top when there is one."""
    template = templates_of("router.report").get_template("plain.html.j2")
    return template.render(title=title, note=note, said=said, tables=tables)
