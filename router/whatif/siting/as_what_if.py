"""A choice of sites as what-if files, to be lived through: the terms of the question, and the sites on them.

The terms come first, for the network as it is too: demand at the rate of the question, machines there cost the share of
their rate that is saved when they stand, freight and carbon at the question's prices. New machines have no hourly rate:
they are paid as an investment.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

import yaml

from router.domain.network import Scenario
from router.domain.siting import Candidate, Package, SitingQuestion
from router.kernel.faults import Fault, FaultyInput
from router.kernel.money import round_cents
from router.whatif.changes.records import FORMAT
from router.whatif.rolling.streams import MOST_DEMAND, history_of
from router.whatif.siting.network_choice import Case, NetworkChoice

TERMS_FILE = "terms.yaml"
_LEAST_PRICE = 1e-6
"""A what-if file knows no carrier that is free."""


_CHOICE_FILE = re.compile(r"choice-[1-9][0-9]*\.yaml")


def choice_file(number: int) -> str:
    """Name of the file of a choice; the best is number 1."""
    return f"choice-{number}.yaml"


def is_choice_file(name: str) -> bool:
    """Whether ``choice_file`` gives such a name."""
    return _CHOICE_FILE.fullmatch(name) is not None


def what_if_files(scenario: Scenario, question: SitingQuestion, choices: Sequence[NetworkChoice]) -> dict[str, str]:
    """Text by file name: the terms, and every choice (with a site at least) going on from them.

    Raises FaultyInput when the question asks for more demand than a stream of orders can have.
    """
    files = {TERMS_FILE: terms_text(scenario, question)}
    for number, choice in enumerate(choices, start=1):
        files[choice_file(number)] = choice_text(question, choice, TERMS_FILE)
    return files


def terms_text(scenario: Scenario, question: SitingQuestion) -> str:
    """What-if of the network as it is on the terms of the question. Raises FaultyInput as ``what_if_files``."""
    name = f"The network as it is, on the terms of: {question.name}"
    return _text(question, name, _terms(scenario, question))


def choice_text(question: SitingQuestion, choice: NetworkChoice, terms_file: str) -> str:
    """What-if of the sites of a choice, going on from the file of the terms."""
    changes = [_site(question, opened.candidate_id, dict(opened.machines)) for opened in choice.opened]
    return _text(question, f"Open {choice.label()}", changes, terms_file)


def demand_over_book(scenario: Scenario, question: SitingQuestion) -> float:
    """Demand of the question over that of a stream drawn from the book at the book's own rate."""
    case = Case.of(question.terms)
    return history_of(scenario).days / case.history_days * (1 + case.growth)


def _terms(scenario: Scenario, question: SitingQuestion) -> list[dict[str, Any]]:
    case, factor = Case.of(question.terms), demand_over_book(scenario, question)
    if not 0 < factor <= MOST_DEMAND:
        seen = f"{case.history_days:g} days for a book of {history_of(scenario).days:.1f}, growth {case.growth:g}"
        wanted = f"together no more than {MOST_DEMAND:g} times the book's own rate of orders, to be simulated"
        raise FaultyInput([Fault("candidates", "terms", "history_days", seen, wanted)])
    per_tonne = scenario.network.carbon_cents_per_kg * 1000 * case.carbon_factor
    terms: list[dict[str, Any]] = [
        {"change": "demand", "why": "a year of the question", "factor": round(factor, 9)},
        {"change": "change_rate", "why": "saved when it stands", "of": "machine", "factor": case.rate_avoided},
    ]
    if case.freight_factor != 1:
        terms.append({"change": "change_carrier", "price_factor": max(_LEAST_PRICE, case.freight_factor)})
    return [*terms, {"change": "carbon_price", "per_tonne": _money(per_tonne)}]


def _site(question: SitingQuestion, candidate_id: str, numbers: Mapping[str, int]) -> dict[str, Any]:
    candidate = next(c for c in question.candidates if c.candidate_id == candidate_id)
    bought = [p for p in question.packages for _ in range(numbers.get(p.package_id, 0))]
    made: dict[str, Any] = {
        "change": "add_site",
        "id": candidate.candidate_id,
        "name": candidate.name,
        "like": candidate.works_like,
        "country": candidate.place.country,
        "city": candidate.place.name,
        "latitude": candidate.place.latitude_deg,
        "longitude": candidate.place.longitude_deg,
    }
    if candidate.labour_cents_per_h is not None:
        made["labour_per_h"] = _money(candidate.labour_cents_per_h.value)
    if candidate.energy_cents_per_kwh is not None:
        made["energy_per_kwh"] = _money(candidate.energy_cents_per_kwh.value)
    if candidate.grid_kg_co2e_per_kwh is not None:
        made["grid_kg_co2e_per_kwh"] = candidate.grid_kg_co2e_per_kwh.value
    made["credentials"] = list(candidate.credentials)
    made["machines"] = [
        {
            "id": f"{candidate.candidate_id[:20]}-{p.package_id[:14]}-{n}",
            "like": p.machine_like,
            "alloys": list(p.alloys),
            "rate_per_h": 0,
        }
        for n, p in enumerate(bought, start=1)
    ]
    made["investment"] = _investment(candidate, bought)
    return made


def _investment(candidate: Candidate, bought: Sequence[Package]) -> dict[str, Any]:
    """Staff of the ramp-up is paid in the months before the site is ready."""
    return {
        "capex": _money(candidate.opening_cents.value + sum(p.capex_cents.value for p in bought)),
        "staff_per_month": _money(sum(p.staff_cents_per_year.value for p in bought) / 12),
        "fixed_per_month": _money(candidate.fixed_cents_per_year.value / 12),
        "ready_after_months": max((math.ceil(p.ramp_up_months.value) for p in bought), default=0),
    }


def _money(cents: float) -> float:
    return round_cents(cents) / 100


def _text(question: SitingQuestion, name: str, changes: list[dict[str, Any]], on: str | None = None) -> str:
    record: dict[str, Any] = {"format": FORMAT, "name": name[:200]}
    if on is not None:
        record["on"] = on
    record |= {
        "discount_rate_per_year": question.terms.discount_rate.value,
        "life_years": question.terms.life_years.value,
        "invented": question.invented,
        "changes": changes,
    }
    written: str = yaml.safe_dump(record, sort_keys=False, allow_unicode=True, width=120)
    return f"# From the choice of sites: {' '.join(question.name.split())}\n{written}"
