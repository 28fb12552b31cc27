"""Country codes (ISO 3166-1 alpha-2) with their English names, from the extract beside this file."""

from __future__ import annotations

from functools import cache
from importlib import resources

from router.kernel.names import nearest


@cache
def country_names() -> dict[str, str]:
    """Name by code."""
    text = resources.files("router.formats").joinpath("countries.csv").read_text(encoding="utf-8")
    return dict(line.split(";", 1) for line in text.splitlines()[1:])


def country_hint(found: str) -> str:
    """What to say when a code is not known: the code of a country so named, or a general sentence."""
    if found.upper() in country_names():
        return f"a two-letter country code in capitals: {found.upper()}"
    aliases = {"UK": "GB", "EN": "GB", "USA": "US"}
    if found.upper() in aliases:
        return f"a two-letter country code (ISO 3166-1): {aliases[found.upper()]}"
    by_name = {name: code for code, name in country_names().items()}
    guess = nearest(found, by_name) if len(found) > 2 else None
    return "a two-letter country code (ISO 3166-1), e.g. US" + (f"; {guess} is {by_name[guess]}" if guess else "")
