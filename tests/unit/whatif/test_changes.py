"""What-if files: every kind of change, composition, faults, difference."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from router.domain.network import Network
from router.formats.network_file import read_network
from router.kernel.faults import FaultyInput
from router.whatif.changes import BASE, Misfit, WhatIf, difference, look_at, read_what_if
from router.whatif.changes.effects import apply
from router.whatif.changes.records import KINDS, ChangeRate

DEMO = Path(__file__).parents[3] / "scenarios" / "demo"
SAMPLES = Path(__file__).parents[3] / "scenarios" / "whatif"
HEAD = "format: platewright what-if 1\nname: A trial\n"


@pytest.fixture(scope="module")
def base() -> Network:
    return read_network((DEMO / "network.yaml").read_bytes())


def made(folder: Path, changes: str, head: str = HEAD, name: str = "trial.yaml") -> WhatIf:
    path = folder / name
    path.write_text(head + "changes:\n" + changes, encoding="utf-8")
    return read_what_if(path)


def test_every_kind_changes_what_it_says_and_nothing_of_the_base(tmp_path: Path, base: Network) -> None:
    before = repr(base)
    trial = made(
        tmp_path,
        """
  - {change: add_site, id: lyon, like: brescia, country: FR, city: Lyon, time_zone: Europe/Paris,
     labour_per_h: 41.00, machines: [{id: L1, like: I1}]}
  - {change: close_site, site: tampere}
  - {change: move_site, site: rzeszow, country: PL, city: Wrocław}
  - {change: add_machine, id: K9, site: kassel, like: K1}
  - {change: retire_machine, machine: K2}
  - {change: qualify_alloy, machine: B3, alloy: 316L}
  - {change: change_shift, site: braga, shifts: [{days: mon-sun, start: 00:00, end: 00:00}]}
  - {change: change_rate, of: labour, site: kassel, factor: 2}
  - {change: change_rate, of: machine, machine: K3, factor: 0.5}
  - {change: change_rate, of: energy, factor: 3}
  - {change: change_carrier, carrier: parcel, price_factor: 1.5, transit_days_added: 1}
  - {change: carbon_price, per_tonne: 200.00}
  - {change: demand, countries: [ES], factor: 2}
""",
    )
    assert {c.change for c in trial.changes} == set(KINDS)
    after = trial.network(base)
    assert repr(base) == before
    assert after.site["lyon"].labour_cents_per_h == 4100
    assert after.site["lyon"].holiday_country == "FR" and not after.site["lyon"].credentials
    assert abs(after.site["lyon"].place.latitude_deg - 45.75) < 0.2  # from memory: Lyon lies at 45.76 N
    assert after.machine["L1"].plate == base.machine["I1"].plate
    assert {w.step for w in after.work_centres if w.site_id == "lyon"} == {
        w.step for w in base.work_centres if w.site_id == "brescia"
    }
    assert "tampere" not in after.site and not [m for m in after.machines if m.site_id == "tampere"]
    assert not [o for o in after.outside_services if "tampere" in o.site_ids]
    assert after.site["rzeszow"].place.name == "Wrocław"
    assert after.machine["K9"].loaded_alloy_id is None and "K2" not in after.machine
    assert "316L" in after.machine["B3"].alloys
    assert len(after.site["braga"].shifts) == 1 and len(after.site["braga"].shifts[0].weekdays) == 7
    assert after.site["kassel"].labour_cents_per_h == 2 * base.site["kassel"].labour_cents_per_h
    assert after.machine["K3"].rate_cents_per_h == round(base.machine["K3"].rate_cents_per_h / 2)
    assert after.site["braga"].energy_cents_per_kwh == 3 * base.site["braga"].energy_cents_per_kwh
    zone, was = after.carrier["parcel"].zones[0], base.carrier["parcel"].zones[0]
    assert zone.base_cents == round(1.5 * was.base_cents)
    assert zone.transit_working_days == was.transit_working_days + 1
    assert after.carbon_cents_per_kg == 20.0
    assert all(sentence for sentence in trial.explained()) and len(trial.explained()) == len(trial.changes)


def test_what_ifs_go_on_from_each_other(tmp_path: Path, base: Network) -> None:
    made(tmp_path, "  - {change: retire_machine, machine: K2}\n", name="first.yaml")
    second = made(tmp_path, "  - {change: retire_machine, machine: K3}\n", HEAD + "on: first.yaml\n", "second.yaml")
    assert second.own == 1 and len(second.changes) == 2
    assert not {"K2", "K3"} & set(second.network(base).machine)
    with pytest.raises(FaultyInput, match="lead back"):
        made(tmp_path, "  []\n", HEAD + "on: third.yaml\n", "third.yaml")
    with pytest.raises(FaultyInput, match="same folder"):
        made(tmp_path, "  []\n", HEAD + "on: ../first.yaml\n", "fourth.yaml")


def test_difference_names_what_only_one_changes(tmp_path: Path) -> None:
    one = made(tmp_path, "  - {change: retire_machine, machine: K2}\n  - {change: carbon_price, per_tonne: 10}\n")
    other = made(tmp_path, "  - {change: carbon_price, per_tonne: 10}\n  - {change: close_site, site: braga}\n")
    assert difference(one, other) == (("Retire machine K2.",), ("Close site braga with all its machines.",))
    assert difference(one, one) == ((), ())


def test_every_fault_of_a_file_is_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(FaultyInput) as caught:
        made(
            tmp_path,
            """
  - {change: add_sight, id: x}
  - {change: add_machine, id: K9, site: kassel, like: K1, height: 3}
  - {change: carbon_price, per_tonne: cheap}
  - {change: demand, factor: 9}
""",
            HEAD + "speed: 3\n",
        )
    text = str(caught.value)
    assert len(caught.value.faults) == 5
    for wanted in ("did you mean 'add_site'?", "height", "per_tonne", "at most 4", "speed"):
        assert wanted in text


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ("{change: close_site, site: nowhere}", "site"),
        ("{change: add_machine, id: K1, site: kassel, like: K1}", "id"),
        ("{change: qualify_alloy, machine: B3, alloy: Ti64}", "alloy"),
        ("{change: demand, season: [1, 1]}", "season"),
        ("{change: demand, least_pieces: 9, most_pieces: 3}", "most_pieces"),
        ("{change: change_rate, of: labour, machine: K1, factor: 2}", "machine"),
        ("{change: change_rate, of: energy, factor: 1.02}", "factor"),
        ("{change: change_carrier, price_factor: 1.0004}", "price_factor"),
        ("{change: move_site, site: braga, country: PT, city: Nowhereville}", "city"),
        ("{change: move_site, site: braga, country: PT, city: Porto, time_zone: Europe/Porto}", "time_zone"),
    ],
)
def test_a_change_that_does_not_fit_says_why(tmp_path: Path, base: Network, change: str, field: str) -> None:
    trial = made(tmp_path, f"  - {change}\n  - {{change: retire_machine, machine: none}}\n")
    faults = trial.check(base, "trial.yaml")
    assert [f.field for f in faults] == [field, "machine"]
    with pytest.raises(Misfit):
        trial.network(base)


def test_a_factor_that_whole_cents_cannot_hold_is_told_with_what_would_become_of_it(base: Network) -> None:
    site = replace(base.sites[0], energy_cents_per_kwh=12, labour_cents_per_h=4101)
    network = replace(base, sites=(site,))
    small = ChangeRate(change="change_rate", of="energy", factor=1.02)
    lost = r"1\.02, by which energy at .* \(12 cents\) would be 12 in whole cents: times 1;"
    with pytest.raises(Misfit, match=lost) as no:
        apply(small, network)
    assert no.value.expected.startswith("a factor whose effect whole cents can hold: 1, 1.21 or more, 0.792 or less")
    large = ChangeRate(change="change_rate", of="energy", factor=1.21)
    assert apply(large, network).sites[0].energy_cents_per_kwh == 15
    none = ChangeRate(change="change_rate", of="energy", factor=1.0)
    assert apply(none, network).sites == network.sites
    # Half a cent goes up, as everywhere with money.
    half = ChangeRate(change="change_rate", of="labour", factor=0.5)
    assert apply(half, network).sites[0].labour_cents_per_h == 2051


def test_rates_in_per_cent_and_endless_lives_are_refused(tmp_path: Path) -> None:
    head = f"{HEAD}discount_rate_per_year: 8\nlife_years: 5000\n"
    with pytest.raises(FaultyInput) as refused:
        made(tmp_path, "  - {change: demand, growth_per_year: 10}\n", head)
    told = {f.field: f.expected for f in refused.value.faults}
    assert told["discount_rate_per_year"].endswith("at most 1; did you mean 0.08?")
    assert told["life_years"] == "a number greater than 0 and at most 50"
    assert next(x for field, x in told.items() if "growth" in field).endswith("at most 3; did you mean 0.1?")


def test_the_last_site_and_the_last_machine_stay(base: Network, tmp_path: Path) -> None:
    closing = "".join(f"  - {{change: close_site, site: {s}}}\n" for s in base.site)
    assert [f.field for f in made(tmp_path, closing).check(base, "trial.yaml")] == ["site"]


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*.yaml")), ids=lambda p: p.name)
def test_samples_fit_the_demonstration_and_say_that_they_are_invented(path: Path, base: Network) -> None:
    sample = read_what_if(path)
    assert sample.check(base, path.name) == [] and sample.invented


def test_faults_of_numbers_hide_no_faults_of_names_and_none_is_told_for_another(base: Network) -> None:
    text = (
        HEAD
        + """on: below.yaml
changes:
  - {change: add_site, id: lyon, like: brescia, country: FR, city: Lyon,
     machines: [{id: L1, like: I1, rate_per_h: .nan}]}
  - {change: qualify_alloy, machine: L1, alloy: in718}
  - {change: add_machine, id: Z9, site: nowhere, like: Q1}
  - {change: qualify_alloy, machine: Z9, alloy: 316L}
  - {change: retire_machine, machine: K2}
  - {change: close_site, site: atlantis}
"""
    )
    below = HEAD + "changes:\n  - {change: retire_machine, machine: K2}\n"
    what_if, faults = look_at("trial.yaml", {"trial.yaml": text.encode(), "below.yaml": below.encode()}, base)
    assert what_if is None
    assert [(f.where.split(" (")[0], f.field, f.found) for f in faults[1:]] == [
        ("change 3", "alloy", "'in718'"),
        ("change 4", "site", "'nowhere'"),
        ("change 4", "like", "'Q1'"),
        ("change 6", "machine", "'K2'"),
        ("change 7", "site", "'atlantis'"),
    ]
    assert faults[0].field == "rate_per_h" and "'.nan'" in faults[0].found
    _, faults = look_at("trial.yaml", {"trial.yaml": text.encode(), "below.yaml": below.encode() + b"speed: 3\n"}, base)
    assert {f.field for f in faults} == {"rate_per_h", "speed"}


def test_sentences_name_sites_as_other_texts_do_in_every_kind(tmp_path: Path, base: Network) -> None:
    trial = made(
        tmp_path,
        """
  - {change: add_site, id: lyon, name: Rhone works, like: brescia, country: FR, city: Lyon,
     machines: [{id: L1, like: I1}]}
  - {change: add_machine, id: L2, site: lyon, like: L1}
  - {change: close_site, site: tampere}
  - {change: move_site, site: rzeszow, country: PL, city: Wrocław}
  - {change: change_shift, site: braga, shifts: [{days: mon-sun, start: 00:00, end: 00:00}]}
  - {change: change_rate, of: labour, site: kassel, factor: 2}
""",
    )
    sentences = trial.explained(base)
    named = (["lyon", "brescia"], ["lyon"], ["tampere"], ["rzeszow"], ["braga"], ["kassel"])
    called = {s.site_id: s.name for s in trial.network(base).sites} | {"tampere": base.site["tampere"].name}
    for sentence, sites in zip(sentences, named, strict=True):
        for site in sites:
            assert called[site] != site and f"{called[site]} ({site})" in sentence
    # Without the base only sites of the file itself have names.
    assert "Rhone works (lyon)" in trial.explained()[1] and "Close site tampere with" in trial.explained()[2]
    assert any("Rhone works (lyon)" in s and called["brescia"] in s for s in difference(trial, BASE, base)[0])
