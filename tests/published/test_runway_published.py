"""The runway game against published examples, the closed form of Littlechild & Owen and every order of arrival."""

from __future__ import annotations

import csv
import itertools
import math
from dataclasses import replace
from pathlib import Path

import pytest
from small_shop import NETWORK, NICKEL_SET, NORTH, PRESS

from router.costing import BuildRates, PlateMember, fair_shares, piece_load, runway_shares

TABLE = Path(__file__).resolve().parents[2].parent / "shared" / "data" / "facts" / "runway_game.csv"

EXAMPLES = [
    # encyclopedia page on the airport problem
    ((8.0, 11.0, 13.0, 18.0), (2.0, 3.0, 4.0, 9.0)),
    # documentation of the package coopgame
    ((3.0, 6.0, 12.0), (1.0, 2.5, 8.5)),
    # Ibn Ezra's estate, after Aumann 2010, in the tutorial of coopgame
    ((120.0, 60.0, 40.0, 30.0), (80 + 5 / 6, 20 + 5 / 6, 10 + 5 / 6, 7.5)),
    # heights of seven parts on one plate: computed by hand from Littlechild & Owen 1973
    (
        (20.0, 20.0, 45.0, 45.0, 60.0, 110.0, 110.0),
        (20 / 7, 20 / 7, 20 / 7 + 5, 20 / 7 + 5, 20 / 7 + 10, 20 / 7 + 35, 20 / 7 + 35),
    ),
]


@pytest.mark.parametrize(("needs", "fees"), EXAMPLES)
def test_published_fees(needs: tuple[float, ...], fees: tuple[float, ...]) -> None:
    assert runway_shares(needs) == pytest.approx(fees, abs=1e-9)


@pytest.mark.parametrize("needs", [n for n, _ in EXAMPLES])
def test_mean_over_every_order_of_arrival(needs: tuple[float, ...]) -> None:
    """Shapley 1953: the mean, over all orders, of what each adds to the cost when it joins."""
    totals = [0.0] * len(needs)
    for order in itertools.permutations(range(len(needs))):
        paid = 0.0
        for i in order:
            totals[i] += max(0.0, needs[i] - paid)
            paid = max(paid, needs[i])
    expected = [t / math.factorial(len(needs)) for t in totals]
    assert runway_shares(needs) == pytest.approx(expected, abs=1e-9)


BIRMINGHAM = [
    # Littlechild & Thompson 1977, Birmingham 1968-69: movements and runway cost in pounds from memory; the movements
    # sum to the 13,572 read in a data description. Fees a movement by the closed form.
    (42, 65_899, 4.855511),
    (9555, 76_725, 5.655659),
    (288, 95_200, 10.303458),
    (303, 97_200, 10.845904),
    (151, 97_436, 10.915644),
    (1315, 98_142, 11.134017),
    (505, 102_496, 13.404090),
    (1128, 104_849, 15.069342),
    (151, 113_322, 44.799166),
    (112, 115_440, 60.605136),
    (22, 117_676, 162.241500),
]


def test_birmingham_by_movement_and_by_type() -> None:
    assert sum(n for n, _, _ in BIRMINGHAM) == 13_572
    by_movement = runway_shares([float(cost) for n, cost, _ in BIRMINGHAM for _ in range(n)])
    assert math.fsum(by_movement) == pytest.approx(117_676, abs=1e-6)
    by_type = runway_shares([float(c) for _, c, _ in BIRMINGHAM], [float(n) for n, _, _ in BIRMINGHAM])
    at = 0
    for (n, _, fee), type_total in zip(BIRMINGHAM, by_type, strict=True):
        assert by_movement[at] == pytest.approx(fee, abs=1e-6)
        assert type_total / n == pytest.approx(fee, abs=1e-6)
        at += n


def test_every_fee_of_the_shared_table() -> None:
    if not TABLE.is_file():
        pytest.skip("runway_game.csv does not lie beside the project")
    with TABLE.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len({r["case"] for r in rows}) == 6
    for _, group in itertools.groupby(rows, key=lambda r: r["case"]):
        case = list(group)
        counts = [float(r["movements"]) for r in case]
        fees = runway_shares([float(r["cost_of_largest_need"]) for r in case], counts)
        for row, count, fee in zip(case, counts, fees, strict=True):
            assert fee / count == pytest.approx(float(row["shapley_fee_per_movement"]), abs=1.1e-6), row


def test_a_plate_that_costs_only_its_layers_is_a_runway() -> None:
    """Heights 20, 20, 45, 45, 60, 110, 110 mm, 1 mm layers, 1000.00 a layer: cents of the published fees."""
    machine = replace(
        PRESS,
        recoat_s=3600.0,
        setup_min=0,
        cooldown_min=0,
        load_min=0,
        unload_min=0,
        rate_cents_per_h=100_000,
        purge_cents=0,
        gas_cents_per_h=0,
        power_kw=0.0,
        plate_cents=0,
    )
    alloy = replace(NETWORK.alloy["718"], powder_cents_per_kg=0)
    net = replace(NETWORK, sites=(NORTH,), alloys=(alloy,))
    parameters = replace(NICKEL_SET, layer_mm=1.0)
    rates = BuildRates(net, machine, parameters)
    heights = (20.0, 20.0, 45.0, 45.0, 60.0, 110.0, 110.0)
    members = [
        PlateMember(f"line-{i}", piece_load(net, machine, parameters, 0.0, 0.0, 500.0, h))
        for i, h in enumerate(heights)
    ]
    total_cents = rates.figures([m.load for m in members]).cost.total_cents
    assert total_cents == 110 * 100_000
    shares = fair_shares(rates, total_cents, members, ())
    assert sum(shares) == total_cents
    fees = (2.857143, 2.857143, 7.857143, 7.857143, 12.857143, 37.857143, 37.857143)
    assert [s / 100_000 for s in shares] == pytest.approx(fees, abs=1e-5)
