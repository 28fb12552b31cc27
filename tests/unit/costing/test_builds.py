from __future__ import annotations

import math
from dataclasses import replace

import pytest
from small_shop import NETWORK, NICKEL_SET, PRESS, TITANIUM_SET

from router.costing import (
    NO_CHANGEOVER,
    BuildRates,
    build_carbon,
    build_cost,
    changeover,
    coupon_load,
    energy_kwh,
    layers,
    melted_cm3,
    piece_load,
    run_min,
    run_s,
)


def test_layers_round_up_but_not_on_noise() -> None:
    assert [layers(h, 0.04) for h in (0.0, 0.04, 0.041, 0.08, 0.12, 60.0, 60.001)] == [0, 1, 2, 2, 3, 1500, 1501]
    assert layers(0.1 + 0.2, 0.1) == 3


def test_load_of_a_piece_by_hand() -> None:
    load = piece_load(NETWORK, PRESS, NICKEL_SET, 60_000.0, 15_000.0, 2500.0, 75.01)
    assert load.melted_cm3 == 63.0  # 60 + 0.2 x 15
    assert load.exposure_h == pytest.approx(63 / 15)
    assert load.melted_kg == pytest.approx(0.504)
    assert (load.footprint_mm2, load.height_mm, load.n_layers) == (2500.0, 75.01, 1876)
    assert melted_cm3(TITANIUM_SET, 1000.0, 0.0) == 1.0


def test_more_lasers_share_the_exposure() -> None:
    two = replace(PRESS, lasers=2, laser_efficiency=0.9)
    one = piece_load(NETWORK, PRESS, NICKEL_SET, 60_000.0, 0.0, 2500.0, 75.0)
    both = piece_load(NETWORK, two, NICKEL_SET, 60_000.0, 0.0, 2500.0, 75.0)
    assert both.exposure_h == pytest.approx(one.exposure_h / 1.8)
    assert both.melted_kg == one.melted_kg


def test_load_of_a_coupon() -> None:
    load = coupon_load(NETWORK, PRESS, NICKEL_SET)
    assert load.melted_cm3 == pytest.approx(11.52)  # 12 x 12 x 80 mm
    assert (load.footprint_mm2, load.height_mm, load.n_layers) == (144.0, 80.0, 2000)


def test_cost_of_a_build_by_hand() -> None:
    # 2000 layers x 9 s = 5 h, 10 h of exposure (150 cm3 at 15 cm3/h), 1 h set-up, 2 h cooling: 18 h; attended 1.5 h.
    rates = BuildRates(NETWORK, PRESS, NICKEL_SET)
    assert rates.exposure_s(150.0) == 36_000
    assert rates.run_s(2000, 36_000.0) == run_s(PRESS, 2000, 36_000.0) == 64_800
    assert rates.run_min(2000, 36_000.0) == run_min(PRESS, 2000, 36_000.0) == 1080
    assert rates.run_min(2000, 36_000.1) == 1081
    # Bed: 250 x 250 x 80 mm = 5000 cm3 x 8 g/cm3 x 0.6 = 24 kg, of which 1 % is lost: 0.24 kg.
    assert rates.bed_kg(2000) == pytest.approx(24.0)
    cost = rates.cost(2000, 36_000.0, 1.2)
    assert cost == build_cost(NETWORK, PRESS, NICKEL_SET, 2000, 36_000.0, 1.2)
    assert cost.machine_cents == round(4000 * 19.5)
    assert cost.plate_cents == 8000
    assert cost.powder_cents == round(8000 * (1.2 * 1.1 + 0.24))
    assert cost.gas_cents == 2500 + 100 * 18
    assert cost.energy_cents == 3 * 18 * 20
    assert cost.labour_cents == 6000 * 1.5
    assert cost.total_cents == 78_000 + 8000 + 12_480 + 4300 + 1080 + 9000
    assert rates.total_cents(2000, 36_000.0, 1.2) == cost.total_cents


def test_energy_and_carbon_by_hand() -> None:
    rates = BuildRates(NETWORK, PRESS, NICKEL_SET)
    assert energy_kwh(PRESS, 64_800) == rates.kwh(2000, 36_000.0) == 54.0
    assert build_carbon(NETWORK, PRESS, 54.0) == (pytest.approx(21.6), 216)
    assert rates.co2e_kg(2000, 36_000.0) == pytest.approx(21.6)
    assert rates.carbon_cents(2000, 36_000.0) == 216
    assert rates.with_carbon_cents(2000, 36_000.0, 1.2) == rates.total_cents(2000, 36_000.0, 1.2) + 216


def test_pools_add_up_to_the_cost() -> None:
    rates = BuildRates(NETWORK, PRESS, NICKEL_SET)
    loads = [piece_load(NETWORK, PRESS, NICKEL_SET, 20_000.0 * k, 5000.0, 900.0, 30.0 * k) for k in (1, 2, 3)]
    figures = rates.figures(loads)
    pools = rates.start_cents + rates.layer_cents * figures.n_layers + math.fsum(map(rates.own_cents, loads))
    assert figures.cost.total_cents == pytest.approx(pools, abs=2.5)
    assert figures.n_layers == 2250
    assert figures.exposure_s == pytest.approx(3600 * 123 / 15)
    assert figures.melted_kg == pytest.approx(0.984)
    assert figures.run_min == math.ceil(figures.run_s / 60 - 1e-9)
    assert figures.cost == rates.cost(2250, figures.exposure_s, figures.melted_kg)
    assert figures.kwh == pytest.approx(3 * figures.run_s / 3600)
    with pytest.raises(ValueError, match="at least one piece"):
        rates.figures([])


def test_round_plates_hold_less_powder() -> None:
    disc = replace(PRESS, plate=replace(PRESS.plate, round=True))
    square, round_bed = (BuildRates(NETWORK, m, NICKEL_SET).bed_kg(100) for m in (PRESS, disc))
    assert round_bed == pytest.approx(square * math.pi / 4)


def test_changeovers_take_the_first_rule_that_matches() -> None:
    assert changeover(NETWORK, None, "718", PRESS) is NO_CHANGEOVER
    assert changeover(NETWORK, "718", "718", PRESS) is NO_CHANGEOVER
    by_id = changeover(NETWORK, "718", "625", PRESS)
    assert by_id is not None
    assert (by_id.minutes, by_id.hours, by_id.cost_cents) == (240, 4.0, 4 * (4000 + 6000) + 5000)
    by_family = changeover(NETWORK, "625", "718", PRESS)
    assert by_family is not None
    assert (by_family.minutes, by_family.cost_cents) == (480, 8 * 10_000 + 10_000)
    to_any = changeover(NETWORK, "718", "ti64", PRESS)
    assert to_any is not None
    assert (to_any.minutes, to_any.cost_cents) == (1830, 305_000 + 60_000)


def test_a_changeover_that_is_never_made_or_that_no_rule_allows() -> None:
    assert changeover(NETWORK, "ti64", "718", PRESS) is None
    assert changeover(replace(NETWORK, changeovers=()), "718", "625", PRESS) is None
