"""The file of candidates: what is read, and every fault at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from router.domain.network import Network
from router.formats.network_file import read_network
from router.formats.siting_file import read_siting
from router.kernel.faults import FaultyInput

ROOT = Path(__file__).resolve().parents[3]
TEXT = (ROOT / "scenarios" / "where_next" / "candidates.yaml").read_text()


@pytest.fixture(scope="module")
def network() -> Network:
    return read_network((ROOT / "scenarios" / "small" / "network.yaml").read_bytes())


def test_sample_is_read_with_places_and_assumptions(network: Network) -> None:
    question = read_siting(TEXT.encode(), network)
    assert question.invented
    assert [c.candidate_id for c in question.candidates] == ["DETROIT", "LYON", "Berlin", "Hamburg"]
    lyon = question.candidates[1]
    assert lyon.place.country == "FR" and 45 < lyon.place.latitude_deg < 46.5
    assert lyon.fixed_cents_per_year.value == 14_000_000
    assert question.terms.history_days.source is not None
    assert not any("history_days" in a for a in question.assumptions)
    assert "terms, growth" in question.assumptions
    assert "packages nickel, capex" in question.assumptions
    assert dict(question.swings)["bought_cents_per_h"].low == 16_000


def test_every_fault_of_shape_is_named_at_once(network: Network) -> None:
    bad = TEXT.replace("plate_fill: 0.55", "plate_fill: 1.4").replace("capex: 620000.00", "capex: much")
    bad = bad.replace("growth: {low: -0.20, high: 0.50}", "growth: {low: 0.5, high: 0.2}")
    bad = bad.replace("  life_years: 8\n", "  life_yaers: 8\n")
    bad = bad.replace('{value: 2, source: "the', '{worth: 2, source: "the')
    with pytest.raises(FaultyInput) as refused:
        read_siting(bad.encode(), network)
    said = str(refused.value)
    for part in (
        "plate_fill",
        "greater than 0 and at most 1",
        "capex",
        "'life_years'",
        "below the high one",
        "history",
    ):
        assert part in said, said
    assert len(refused.value.faults) >= 5


@pytest.mark.parametrize(
    ("right", "wrong", "expected"),
    [
        ("discount_rate: 0.08", "discount_rate: 8", "at most 1; did you mean 0.08?"),
        ("discount_rate: 0.08", "discount_rate: 1.5", "a number at least 0 and at most 1"),
        ("life_years: 8", "life_years: 5000", "a number greater than 0 and at most 50"),
        ("growth: 0.10", "growth: 10", "at most 3; did you mean 0.1?"),
        ("plate_fill: 0.55", "plate_fill: 55", "at most 1; did you mean 0.55?"),
        ("growth: {low: -0.20, high: 0.50}", "growth: {low: -0.20, high: 50}", "at most 3; did you mean 0.5?"),
        ("-0.2, 0.1, 0.5]", "-0.2, 0.1, 50]", "at most 3; did you mean 0.5?"),
    ],
)
def test_shares_in_per_cent_and_endless_lives_are_refused(
    right: str, wrong: str, expected: str, network: Network
) -> None:
    assert right in TEXT
    with pytest.raises(FaultyInput) as refused:
        read_siting(TEXT.replace(right, wrong, 1).encode(), network)
    (fault,) = refused.value.faults
    assert fault.expected.endswith(expected)


def test_a_swing_of_the_discount_rate_is_one_of_a_share(network: Network) -> None:
    text = TEXT.replace("growth: {low: -0.20, high: 0.50}", "discount_rate: {low: 0.04, high: 12}", 1)
    with pytest.raises(FaultyInput, match=r"discount_rate.*a share of at most 1; did you mean 0\.12\?"):
        read_siting(text.encode(), network)


def test_a_price_of_energy_is_whole_cents_as_in_the_network(network: Network) -> None:
    text = TEXT.replace("    labour_per_h: 54.00\n", "    labour_per_h: 54.00\n    energy_per_kwh: {price}\n", 1)
    priced = [c.energy_cents_per_kwh for c in read_siting(text.replace("{price}", "0.13").encode(), network).candidates]
    assert [x.value for x in priced if x is not None] == [13.0]
    with pytest.raises(FaultyInput, match=r"energy_per_kwh: found 0\.125; expected whole cents a kWh, e\.g\. 0\.13"):
        read_siting(text.replace("{price}", "0.125").encode(), network)


def test_every_fault_of_reference_is_named_at_once(network: Network) -> None:
    bad = TEXT.replace("works_like: OHIO", "works_like: OHOI", 1).replace("machine_like: M01", "machine_like: M9")
    bad = bad.replace("alloys: [316l]", "alloys: [316l, ti64]").replace("- id: LYON", "- id: RHINE")
    bad = bad.replace("city: Lyon", "city: Lyonesse")
    with pytest.raises(FaultyInput) as refused:
        read_siting(bad.encode(), network)
    said = str(refused.value)
    for part in ("did you mean 'OHIO'", "M9", "ti64", "a name no other site has", "Lyonesse"):
        assert part in said, said
    assert len(refused.value.faults) == 5


@pytest.mark.parametrize("text", ["", "- a\n- b\n", "format: platewright candidates 1\nname: x\nname: y\n"])
def test_other_files_are_refused(text: str, network: Network) -> None:
    with pytest.raises(FaultyInput):
        read_siting(text.encode(), network)


def test_a_fault_of_a_number_hides_no_fault_of_a_name(network: Network) -> None:
    bad = TEXT.replace("plate_fill: 0.55", "plate_fill: .nan").replace("works_like: OHIO", "works_like: NOWHERE", 1)
    bad = bad.replace("city: Lyon", "city: Lyonesse").replace("[in718]", "[gold]")
    bad = bad.replace("growth: {low: -0.20, high: 0.50}", "growth: {low: -1.5, high: 0.2}")
    bad = bad.replace("rate_avoided: {low:", "rate_avoided: {low: -1, high: 1.5} #", 1)
    with pytest.raises(FaultyInput) as refused:
        read_siting(bad.encode(), network)
    told = [(f.field, f.found) for f in refused.value.faults]
    for field, what in (
        ("plate_fill", "'.nan'"),
        ("works_like", "'NOWHERE'"),
        ("city", "'Lyonesse'"),
        ("alloys[0]", "'gold'"),
        ("low", "'-1.5'"),
        ("low", "'-1.0'"),
        ("high", "'1.5'"),
    ):
        assert (field, what) in told, told
    assert len(set(told)) == len(told)


@pytest.mark.parametrize(
    ("before", "after"), [('source: "', 'source: "\\ud800'), ("swings:\n", 'swings:\n  "growth\\ud800": 1\n')]
)
def test_half_a_character_is_refused(before: str, after: str, network: Network) -> None:
    assert before in TEXT
    with pytest.raises(FaultyInput) as refused:
        read_siting(TEXT.replace(before, after, 1).encode(), network)
    str(refused.value).encode()
    assert refused.value.faults[0].where
