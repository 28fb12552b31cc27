"""The question of a form as a text: read back it asks what was typed; what was typed wrongly is said by its reader."""

from __future__ import annotations

from pathlib import Path

import pytest

from router.domain.network import Network
from router.formats.network_file import read_network
from router.formats.siting_file import read_siting
from router.kernel.faults import FaultyInput
from router.service.site_draft import COMMON, draft_question

SMALL = Path(__file__).resolve().parents[3] / "scenarios" / "small"
TYPED = {
    **COMMON,
    "name": "Third shop",
    "places": "Lyon, fr\n\n 48226 , US\nSpringfield (Illinois), US\nLyon, FR\n",
    "country": "DE",
    "least_people": "700000",
    "most": "2",
    "works_like": "RHINE",
    "fixed_per_year": "140000,50",
    "credentials": "AS9100 ITAR",
    "machine_1": "R01",
    "capex_1": "340000",
    "staff_per_year_1": "60000",
    "hours_per_year_1": "5600",
    "machine_3": "R01",
    "capex_3": "1",
    "staff_per_year_3": "0",
    "hours_per_year_3": "10",
    "history_days": "12.5",
    "bought_per_h": "260",
}


@pytest.fixture(scope="module")
def network() -> Network:
    return read_network((SMALL / "network.yaml").read_bytes())


def test_read_back_it_asks_what_was_typed(network: Network) -> None:
    asked = read_siting(draft_question(TYPED, network).encode(), network)
    assert asked.name == "Third shop" and asked.invented
    ids = [c.candidate_id for c in asked.candidates]
    assert ids[:4] == ["Lyon", "US-48226", "Springfield-Illinois", "Lyon-2"] and len(ids) == 6
    assert {c.works_like for c in asked.candidates} == {"RHINE"}
    assert asked.candidates[0].fixed_cents_per_year.value == 14_000_050
    assert asked.candidates[1].place.postcode == "48226"
    assert all(c.credentials == ("AS9100", "ITAR") for c in asked.candidates)
    assert [p.package_id for p in asked.packages] == ["like-R01", "like-R01-2"]
    assert asked.packages[0].alloys == network.machine["R01"].alloys
    assert asked.terms.history_days.value == 12.5 and asked.terms.history_days.source is None
    assert dict(asked.swings)["capex_factor"].high == 1.3
    assert asked.growth_steps == (-0.4, -0.2, 0.0, 0.2, 0.5) and asked.freight_steps == (0.5, 1.0, 2.0, 4.0)
    assert any("history_days" in a for a in asked.assumptions)


def test_left_empty_it_is_left_out(network: Network) -> None:
    empty = dict.fromkeys(TYPED, "") | {k: TYPED[k] for k in ("name", "works_like", "history_days")}
    with pytest.raises(FaultyInput) as faulty:
        read_siting(draft_question(empty, network).encode(), network)
    said = " ".join(f.sentence() for f in faulty.value.faults)
    assert "packages" in said and "growth" in said
    fewer = {**TYPED, **dict.fromkeys(("growth_steps", "freight_steps", "country", "growth_low", "growth_high"), "")}
    asked = read_siting(draft_question(fewer, network).encode(), network)
    assert asked.growth_steps == () and "growth" not in dict(asked.swings) and len(asked.candidates) == 4


@pytest.mark.parametrize(
    ("field", "typed", "where"),
    [
        ("growth", "much", "growth"),
        ("fixed_per_year", "rent", "fixed_per_year"),
        ("places", "Nowhereville, FR", "city"),
        ("places", "Lyon", "country"),
        ("works_like", "MOON", "works_like"),
        ("machine_1", "X99", "alloys"),
        ("growth_high", "-0.5", "low"),
        ("country", "XX", "country"),
    ],
)
def test_what_is_typed_wrongly_is_said_by_the_reader(network: Network, field: str, typed: str, where: str) -> None:
    with pytest.raises(FaultyInput) as faulty:
        read_siting(draft_question({**TYPED, field: typed}, network).encode(), network)
    assert where in {f.field.split(".")[-1] for f in faulty.value.faults}, faulty.value.faults
