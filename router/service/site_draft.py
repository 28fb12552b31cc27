"""A question of where to add a site, written down from the few fields of a form; its reader says what is wrong with it.

What the form does not ask, the text can be given afterwards (CANDIDATES.md).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import yaml

from router.domain.network import Network
from router.formats.siting_file import FORMAT

TERMS = (
    "history_days",
    "growth",
    "plate_fill",
    "existing_hours_per_year",
    "rate_avoided",
    "bought_per_h",
    "life_years",
    "discount_rate",
)
PACKAGE_FIELDS = ("capex", "staff_per_year", "hours_per_year", "ramp_up_months")
PACKAGE_ROWS = 3
SITE_FIELDS = ("fixed_per_year", "opening")
GAZETTEER_FIELDS = ("least_people", "most")
SWINGS = ("growth", "freight_factor", "capex_factor")
"""Inputs the form varies one at a time; the text may vary more."""
COMMON = {
    "growth": "0",
    "plate_fill": "0.55",
    "existing_hours_per_year": "5500",
    "rate_avoided": "0.4",
    "life_years": "8",
    "discount_rate": "0.08",
    "hours_per_year": "5500",
    "ramp_up_months": "3",
    "least_people": "500000",
    "most": "5",
    "growth_low": "-0.2",
    "growth_high": "0.5",
    "freight_factor_low": "0.7",
    "freight_factor_high": "2",
    "capex_factor_low": "0.8",
    "capex_factor_high": "1.3",
    "growth_steps": "-0.4 -0.2 0 0.2 0.5",
    "freight_steps": "0.5 1 2 4",
}
"""Where a form begins (common practice, no source): every one is listed as an assumption until it has a source."""
_ZIP = re.compile(r"[0-9]{5}(-[0-9]{4})?")


def draft_question(fields: Mapping[str, str], network: Network) -> str:
    """The text of the fields. What is no number stays as it was typed, and what is left empty is left out."""
    costs: dict[str, Any] = {"works_like": fields.get("works_like", "")}
    costs |= _filled((name, fields.get(name, "")) for name in SITE_FIELDS)
    codes = re.split(r"[\s,;]+", fields.get("credentials", "").strip())
    if any(codes):
        costs["credentials"] = [c for c in codes if c]
    made: dict[str, Any] = {"format": FORMAT, "name": fields.get("name", "")}
    if network.invented:
        made["invented"] = True
    made["terms"] = _filled((name, fields.get(name, "")) for name in TERMS)
    taken = {s.site_id for s in network.sites}
    named = [_place(line, costs, taken) for line in fields.get("places", "").splitlines() if line.strip()]
    if named:
        made["candidates"] = named
    country = fields.get("country", "").strip()
    if country:
        cities = _filled((name, fields.get(name, "")) for name in GAZETTEER_FIELDS)
        made["gazetteer"] = [{"country": country.upper(), **cities, **costs}]
    made["packages"] = _packages(fields, network)
    swings = {name: _filled((end, fields.get(f"{name}_{end}", "")) for end in ("low", "high")) for name in SWINGS}
    made["swings"] = {name: swing for name, swing in swings.items() if swing}
    grid = {"growth": _steps(fields.get("growth_steps", "")), "freight_factor": _steps(fields.get("freight_steps", ""))}
    if any(grid.values()):
        made["grid"] = grid
    text: str = yaml.safe_dump(made, sort_keys=False, allow_unicode=True, width=120)
    return text


def _number(text: str) -> str | int | float:
    plain = text.strip().replace(",", ".")
    try:
        return int(plain)
    except ValueError:
        try:
            return float(plain)
        except ValueError:
            return text.strip()


def _filled(pairs: Iterable[tuple[str, str]]) -> dict[str, Any]:
    return {name: _number(text) for name, text in pairs if text.strip()}


def _steps(text: str) -> list[str | int | float]:
    return [_number(x) for x in re.split(r"[\s;]+", text.strip()) if x]


def _place(line: str, costs: Mapping[str, Any], taken: set[str]) -> dict[str, Any]:
    """``Lyon, FR`` or ``48226, US``."""
    what, _, country = (x.strip() for x in line.rpartition(","))
    country = country.upper()
    place: dict[str, Any] = {"country": country} if what else {}
    what = what or line.strip()
    place |= {"postcode": what} if country == "US" and _ZIP.fullmatch(what) else {"city": what}
    plain = "-".join(re.findall(r"[A-Za-z0-9]+", what))[:30].strip("-") or country
    plain = f"US-{plain}" if "postcode" in place else plain
    candidate_id, n = plain, 2
    while candidate_id in taken:
        candidate_id, n = f"{plain}-{n}", n + 1
    taken.add(candidate_id)
    return {"id": candidate_id, "place": place, **costs}


def _packages(fields: Mapping[str, str], network: Network) -> Sequence[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    for row in range(1, PACKAGE_ROWS + 1):
        like = fields.get(f"machine_{row}", "")
        if not like:
            continue
        machine = network.machine.get(like)
        again = sum(p["machine_like"] == like for p in found)
        package: dict[str, Any] = {"id": f"like-{like}" + (f"-{again + 1}" if again else ""), "machine_like": like}
        package["alloys"] = list(machine.alloys) if machine else []
        found.append(package | _filled((name, fields.get(f"{name}_{row}", "")) for name in PACKAGE_FIELDS))
    return found
