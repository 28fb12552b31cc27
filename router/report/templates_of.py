"""Templates of a room, with what every text made of them needs."""

from __future__ import annotations

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from router.report.wording import day


def templates_of(package: str) -> Environment:
    """The templates of a package. What is put into them is escaped unless it is `Markup`; unknown names are errors."""
    made = Environment(
        loader=PackageLoader(package),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
    )
    made.filters["svg"] = Markup
    made.filters["day"] = day
    return made
