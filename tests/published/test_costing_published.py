"""Build times of the scheduling literature and rules of thumb of the trade."""

from __future__ import annotations

import csv
import itertools
from dataclasses import replace
from pathlib import Path

import pytest
from small_shop import LINE, NETWORK, NICKEL_SET, PRESS

from router.costing import BuildRates, lot_steps, piece_load, plate_steps, runway_shares
from router.domain.alloys import ParameterSet
from router.domain.machines import Machine

TABLE = Path(__file__).resolve().parents[2].parent / "shared" / "data" / "facts" / "build_time_examples.csv"

INSTANCES = "parameters read in the open instance set AM-Production-Planning-Instances"
UAMSP = "parameters read in the open instance set UAMSP-R"
WU_YU = "parameters read in Wu & Yu, dynamic single-machine scheduling, table E.1"
LI = "parameters of Li, Kucukkoc, Zhang 2017 (C&OR 83) from memory; time by the formula t = ST + VT V + SPT S + HT h"

CASES = [
    # name, ST h, VT h/cm3, HT h/cm, SPT h/cm3, volumes cm3, supports cm3, heights cm, hours, source
    ("L1", 1.6, 0.0308, 0.85, 0.02, (805.754, 10.1491, 22.8691), (0, 0, 0), (11.1823, 1.2, 1.2), 36.939139, INSTANCES),
    ("L4", 1.0, 0.0308, 0.7, 0.02, (805.754, 10.1491, 22.8691), (0, 0, 0), (11.1823, 1.2, 1.2), 34.661794, INSTANCES),
    ("U1", 6.0, 0.074074, 1.4, 0.0, (108.460485, 178.139477), (0, 0), (7.955651, 20.952481), 56.563079, UAMSP),
    ("U3", 5.0, 0.030864, 1.0, 0.0, (108.460485, 178.139477), (0, 0), (7.955651, 20.952481), 34.798102, UAMSP),
    (
        "W1",
        0.0,
        1 / 54,
        1 / 1.8,
        1 / 108,
        (27.7321, 28.84631),
        (0.42241, 0.60206),
        (10.162, 11.008),
        7.172790,  # 1.047748 + 0.009486 + 6.115556: 15 and 30 mm3/s, 200 s per mm, not rounded first
        WU_YU,
    ),
    ("K1", 2.0, 0.030864, 0.7, 0.0, (100, 250, 40), (0, 0, 0), (6, 12.5, 3.2), 22.786960, LI),
]
Case = tuple[str, float, float, float, float, tuple[float, ...], tuple[float, ...], tuple[float, ...], float, str]


def machine_of(
    setup_h: float, volume_h: float, height_h: float, support_h: float, layer_mm: float
) -> tuple[Machine, ParameterSet]:
    """The machine and parameter set whose build time takes the literature's form as layers get thin."""
    machine = replace(PRESS, setup_min=round(60 * setup_h), cooldown_min=0, recoat_s=360 * height_h * layer_mm)
    return machine, replace(
        NICKEL_SET, layer_mm=layer_mm, build_rate_cm3_h=1 / volume_h, support_density=support_h / volume_h
    )


def hours(case: Case, layer_mm: float) -> float:
    _, setup_h, volume_h, height_h, support_h, volumes, supports, heights, _, _ = case
    machine, parameters = machine_of(setup_h, volume_h, height_h, support_h, layer_mm)
    loads = [
        piece_load(NETWORK, machine, parameters, 1000 * v, 1000 * s, 1.0, 10 * h)
        for v, s, h in zip(volumes, supports, heights, strict=True)
    ]
    return BuildRates(NETWORK, machine, parameters).figures(loads).run_s / 3600


@pytest.mark.parametrize("case", CASES, ids=[c[0] for c in CASES])
def test_build_time_of_the_literature_is_the_case_of_thin_layers(case: Case) -> None:
    assert hours(case, 1e-5) == pytest.approx(case[8], abs=3e-6)


@pytest.mark.parametrize("case", CASES, ids=[c[0] for c in CASES])
def test_whole_layers_add_less_than_one_layer(case: Case) -> None:
    layer_mm = 0.05
    excess_h = hours(case, layer_mm) - case[8]
    assert -3e-6 < excess_h < case[3] * layer_mm / 10 + 3e-6


def test_every_build_time_of_the_shared_table() -> None:
    if not TABLE.is_file():
        pytest.skip("build_time_examples.csv does not lie beside the project")
    with TABLE.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 11
    for row in rows:
        volumes = tuple(map(float, row["part_volumes_cm3"].split(";")))
        supports = tuple(map(float, (row["support_volumes_cm3"] or ";".join("0" * len(volumes))).split(";")))
        case = (
            row["case"],
            float(row["setup_h"]),
            float(row["volume_h_per_cm3"]),
            float(row["height_h_per_cm"]),
            float(row["support_h_per_cm3"] or 0),
            volumes,
            supports,
            tuple(map(float, row["part_heights_cm"].split(";"))),
            float(row["build_time_h"]),
            row["source"],
        )
        # The table prints the parameters to six digits.
        assert hours(case, 1e-5) == pytest.approx(case[8], rel=1e-5), row["case"]


def test_melting_rate_from_speed_hatch_and_layer() -> None:
    """Arithmetic: 960 mm/s x 0.11 mm x 0.04 mm = 4.224 mm3/s = 15.206 cm3/h."""
    rates = BuildRates(NETWORK, PRESS, replace(NICKEL_SET, build_rate_cm3_h=15.2064))
    assert rates.exposure_s(4.224 * 3600 / 1000) == pytest.approx(3600)


# --- rules of thumb: common practice, no source -----------------------------------------------------------------------

INCH_MM = 25.4


def trade_rates() -> tuple[BuildRates, ParameterSet]:
    """A machine of one million over five years of 5,000 hours (40 an hour), one 400 W laser on nickel 718 at 40 um."""
    parameters = replace(NICKEL_SET, build_rate_cm3_h=15.2064)
    return BuildRates(NETWORK, replace(PRESS, rate_cents_per_h=4000), parameters), parameters


@pytest.mark.parametrize("solid_share", [0.05, 0.10, 0.15])
@pytest.mark.parametrize("height_mm", [50.0, 75.0, 100.0, 150.0])
def test_price_of_a_full_build_by_the_inch_of_height(solid_share: float, height_mm: float) -> None:
    """Common practice, no source: about 500 to 600 US dollars an inch; six hand-size parts fill the plate.

    Parts of 110 x 75 mm that fill 5 to 15 % of their box (Wu & Yu draw them so). Our cost before after-build steps
    lies within a factor of two of the price.
    """
    rates, parameters = trade_rates()
    volume = solid_share * 110 * 75 * height_mm
    six = [piece_load(NETWORK, PRESS, parameters, volume, 0.15 * volume, 2900.0, height_mm)] * 6
    dollars_an_inch = rates.figures(six).cost.total_cents / 100 / (height_mm / INCH_MM)
    assert 550 / 2 < dollars_an_inch < 550 * 2


@pytest.mark.parametrize(("volume_cm3", "height_mm"), [(160.0, 50.0), (170.0, 50.0), (180.0, 40.0)])
def test_five_built_together_cost_less_each(volume_cm3: float, height_mm: float) -> None:
    """Common practice, no source: a part of about 1,000 alone on its plate costs 3,000 to 4,000 for five together.

    In our model it holds for compact, massive parts, whose own melting is over half of what they cost alone; tall
    or hollow ones gain more by company (the next test says how much exactly).
    """
    rates, parameters = trade_rates()
    load = piece_load(NETWORK, PRESS, parameters, 1000 * volume_cm3, 0.0, 4000.0, height_mm)
    alone = rates.figures([load]).cost.total_cents
    five = rates.figures([load] * 5).cost.total_cents
    assert 80_000 < alone < 125_000
    assert rates.own_cents(load) > alone / 2
    assert 0.6 < five / 5 / alone < 0.8


@pytest.mark.parametrize("height_mm", [30.0, 100.0, 250.0])
def test_what_five_together_save_is_four_fifths_of_what_they_share(height_mm: float) -> None:
    """Arithmetic of the model: equal pieces share everything but their own exposure and powder."""
    rates, parameters = trade_rates()
    load = piece_load(NETWORK, PRESS, parameters, 60_000.0, 5000.0, 4000.0, height_mm)
    alone = rates.figures([load]).cost.total_cents
    five = rates.figures([load] * 5).cost.total_cents
    own = rates.own_cents(load) / alone
    assert five / 5 / alone == pytest.approx(own + (1 - own) / 5, abs=1e-4)
    shares = runway_shares([load.n_layers * rates.layer_cents] * 5)
    assert shares == pytest.approx([load.n_layers * rates.layer_cents / 5] * 5)


def test_unit_cost_falls_with_every_piece_that_joins() -> None:
    """Trade, no source: unit cost falls as a plate fills, because set-up and recoating are shared."""
    rates, parameters = trade_rates()
    load = piece_load(NETWORK, PRESS, parameters, 60_000.0, 5000.0, 4000.0, 80.0)

    def each(pieces: int) -> float:
        figures = rates.figures([load] * pieces)
        after = plate_steps(NETWORK, "north", NETWORK.alloy["718"], figures.melted_kg)
        after += lot_steps(NETWORK, "north", LINE, pieces, 0.48, 5.0)
        return (figures.cost.total_cents + sum(s.cost_cents for s in after)) / pieces

    units = [each(n) for n in range(1, 9)]
    assert all(a > b for a, b in itertools.pairwise(units))
    assert units[-1] > rates.own_cents(load)
