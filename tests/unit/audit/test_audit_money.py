"""Rounding, splitting and fair shares against hand calculation and the published closed form."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.audit.carriage import carry
from router.audit.fair import build_shares
from router.audit.figures import agrees, cents, fairly_rounded, half_up, largest_remainder, whole_layers, whole_minutes
from router.audit.melt import Body, Melt
from router.domain.alloys import ParameterSet
from router.domain.network import Scenario
from router.domain.places import Place


def test_half_a_cent_goes_up() -> None:
    assert [half_up(x) for x in (0.5, 1.5, 2.5, -0.5, 2.4999)] == [1, 2, 3, 0, 2]


def test_an_amount_on_the_very_half_may_go_either_way() -> None:
    assert cents(100.5) == (100, 101)
    assert cents(100.49) == (100, 100)
    assert cents(0.4, 0.6, plus=7) == (8, 8)
    assert not agrees(101, cents(100.49))


def test_minutes_and_layers_are_rounded_up() -> None:
    assert [whole_minutes(x) for x in (0.0, 1.0, 1.0 + 1e-12, 1.001)] == [0, 1, 1, 2]
    assert [whole_layers(h, 0.03) for h in (0.3, 20.0, 0.03)] == [10, 667, 1]


def test_largest_remainder_breaks_ties_in_order() -> None:
    assert largest_remainder(10, [3.5, 3.5, 3.0]) == [4, 3, 3]
    assert largest_remainder(100, [33.2, 33.5, 33.3]) == [33, 34, 33]


@given(st.lists(st.floats(0.0, 1e6), min_size=1, max_size=12), st.integers(0, 10**7))
def test_a_largest_remainder_split_is_accepted_and_a_moved_cent_is_not(weights: list[float], total: int) -> None:
    whole = sum(weights)
    if whole <= 0:
        return
    exact = [total * w / whole for w in weights]
    split = largest_remainder(total, exact)
    assert sum(split) == total
    assert fairly_rounded(split, total, exact)
    if len(split) > 1:
        assert not fairly_rounded([split[0] + 1, *split[1:]], total, exact)
        assert not fairly_rounded([split[0] + 2, split[1] - 2, *split[2:]], total, exact)


def littlechild_owen(costs: list[float]) -> list[float]:
    """Shapley value of the airport game: slice k costs c_k - c_(k-1), shared equally by all that need at least it."""
    shares, before, ordered = [0.0] * len(costs), 0.0, sorted(set(costs))
    for top in ordered:
        users = [i for i, c in enumerate(costs) if c >= top]
        for i in users:
            shares[i] += (top - before) / len(users)
        before = top
    return shares


@pytest.mark.parametrize("heights", [[10.0], [10.0, 20.0, 30.0], [5.0, 5.0, 40.0, 40.0], [12.0, 7.0, 25.0, 3.0]])
def test_equal_footprints_give_the_runway_game(heights: list[float]) -> None:
    """Littlechild & Owen 1973, Management Science 20(3): equal weights, height pool only."""
    params = ParameterSet("p", "alloy", 1.0, 10.0, 0.2)
    bodies = [Body(f"L{i}", 50.0, h, 0.0, ("m", "a")) for i, h in enumerate(heights)]
    pool = 100 * max(heights)
    melt = Melt(max(heights), int(max(heights)), 0.0, 0.0, 0, 0.0, (), 0.0, 0.0, 0.0, pool, (0.0,) * len(bodies))
    shares = build_shares(melt, params, bodies, int(pool), dict.fromkeys((f"L{i}" for i in range(len(bodies))), False))
    assert list(shares.values()) == pytest.approx([100 * x for x in littlechild_owen(heights)])


def test_coupons_are_borne_by_the_lines_that_ask_for_them() -> None:
    params = ParameterSet("p", "alloy", 1.0, 10.0, 0.2)
    bodies = [
        Body("asks", 30.0, 10.0, 0.0, ("m", "a")),
        Body("asks too", 10.0, 10.0, 0.0, ("m", "a")),
        Body("does not", 40.0, 10.0, 0.0, ("m", "a")),
        Body(None, 20.0, 10.0, 0.0, ("", "coupon")),
    ]
    melt = Melt(10.0, 10, 0.0, 0.0, 0, 0.0, (), 0.0, 0.0, 0.0, 0.0, (0.0,) * 4)
    shares = build_shares(melt, params, bodies, 1000, {"asks": True, "asks too": True, "does not": False})
    assert shares == pytest.approx({"asks": 300 + 150, "asks too": 100 + 50, "does not": 400})


def test_distance_is_the_geodesic_of_the_ellipsoid(scenario: Scenario) -> None:
    """GeographicLib documentation, worked example JFK to LHR: 5551.759 km (from memory)."""
    net = scenario.network
    jfk, lhr = Place("JFK", "US", 40.6, -73.8), Place("LHR", "GB", 51.6, -0.5)
    by_air = carry(net, jfk, lhr, net.carrier["air"], 1, scenario.parts["block.stl"], 0.2)
    assert by_air.distance_km == pytest.approx(5551.759 + 95, abs=0.001)
    by_road = carry(net, jfk, lhr, net.carrier["road"], 1, scenario.parts["block.stl"], 0.2)
    assert by_road.distance_km == pytest.approx(1.4 * 5551.759, abs=0.002)
    assert by_road.zone is None
    assert not by_road.possible
