"""The generators: equal seeds give equal files, and what they give is faultless at any size."""

from __future__ import annotations

from datetime import date, timedelta
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import scenarios
from router.domain.machines import KeepOutZone, Plate
from router.domain.network import Network
from router.formats.network_file import NetworkReading, inspect_network
from router.formats.order_book import inspect_orders
from scenarios.book_file import book_text
from scenarios.catalogue import CATALOGUE
from scenarios.cities import cities, rough_km
from scenarios.draft import working_day_before
from scenarios.network_maker import APART_KM, main, make_network, network_text
from scenarios.order_book import load_network, make_book
from scenarios.part_sizes import Stance, part_sizes
from scenarios.reach import Reach, Wish, stands_on

DEMO = Path(scenarios.__file__).parent / "demo"


@cache
def large() -> NetworkReading:
    return inspect_network(network_text(make_network(12, 60, 3), "test").encode())


def network_of(reading: NetworkReading) -> Network:
    assert reading.network is not None, [f.sentence() for f in reading.faults]
    return reading.network


def test_large_network_is_faultless_and_of_the_asked_size() -> None:
    net = network_of(large())
    assert (len(net.sites), len(net.machines)) == (12, 60)
    assert net.invented
    assert len({s.place for s in net.sites}) == 12
    assert all(any(m.site_id == s.site_id for m in net.machines) for s in net.sites)
    assert {a for m in net.machines for a in m.alloys} == {a.alloy_id for a in net.alloys}
    assert all(m.available_from >= net.now for m in net.machines)


def test_sites_of_a_network_keep_apart() -> None:
    places = [s.place for s in network_of(large()).sites]
    assert all(rough_km(a, b) >= APART_KM for k, a in enumerate(places) for b in places[:k])


def test_network_maker_is_deterministic_and_listens_to_its_seed() -> None:
    assert make_network(9, 30, 5) == make_network(9, 30, 5)
    assert make_network(9, 30, 5) != make_network(9, 30, 6)


def test_largest_network_is_faultless() -> None:
    count = len(cities())
    reading = inspect_network(network_text(make_network(count, count, 1), "test").encode())
    assert len(network_of(reading).sites) == count


def test_impossible_network_is_refused() -> None:
    with pytest.raises(ValueError, match="at least a machine each"):
        make_network(5, 4, 1)
    with pytest.raises(ValueError, match="found 0 sites"):
        make_network(0, 4, 1)


def test_network_maker_writes_a_file_the_generator_takes(tmp_path: Path) -> None:
    out = tmp_path / "network.yaml"
    assert main(["--sites", "2", "--machines", "5", "--seed", "1", "--out", str(out)]) == 0
    net, zone = load_network(out)
    assert len(make_book(net, 20, 1, zone)) == 20


@pytest.mark.parametrize("where", ["demo", "large"])
def test_a_thousand_lines_are_valid_and_buildable(where: str) -> None:
    reading = inspect_network((DEMO / "network.yaml").read_bytes()) if where == "demo" else large()
    net = network_of(reading)
    assert reading.zone is not None
    text = book_text(make_book(net, 1000, 11, reading.zone), reading.zone)
    orders = inspect_orders(text.encode(), "orders.csv", reading, [e.file for e in CATALOGUE])
    assert orders.faults == ()
    assert len(orders.lines) == 1000
    reach = Reach(net, part_sizes(), net.now.date() + timedelta(days=30))
    for x in orders.lines:
        asked = Wish(
            x.model,
            x.alloy_id,
            frozenset(x.steps),
            x.export_control,
            x.accreditations,
            x.as_modelled,
            x.coupons > 0,
        )
        assert reach.sites(asked) & set(x.approved_sites or net.site), x.line_id


def test_equal_seeds_give_equal_books_and_others_do_not() -> None:
    net, zone = load_network(DEMO / "network.yaml")
    first, again, other = (book_text(make_book(net, 60, s, zone), zone) for s in (8, 8, 9))
    assert first == again
    assert first != other


def test_days_bound_the_dates_of_receipt() -> None:
    net, zone = load_network(DEMO / "network.yaml")
    for line in make_book(net, 80, 2, zone, days=10):
        assert timedelta(0) < net.now - line.received_at <= timedelta(days=10)


def test_lines_of_a_later_period_can_still_be_built_when_they_are_released(tmp_path: Path) -> None:
    # Most credentials of this network run out within the year and a half that the book covers.
    file = tmp_path / "network.yaml"
    file.write_text(network_text(make_network(12, 60, 1), "test"), encoding="utf-8")
    net, zone = load_network(file)
    coded = 0
    for x in make_book(net, 600, 1, zone, periods=20):
        for code in (x.export_control, *x.accreditations):
            if code is not None and x.line_id.startswith("D"):
                coded += 1
                assert any(s.holds(code, x.release_at.date()) for s in net.sites), x
    assert coded > 20


def test_each_period_of_a_longer_book_gets_as_many_lines_and_hours_as_a_short_book_has() -> None:
    net, zone = load_network(DEMO / "network.yaml")
    days, periods, lines = 28, 4, 300
    one = make_book(net, lines, 6, zone, days)
    book = make_book(net, periods * lines, 6, zone, days, periods=periods)
    # No line of one period is due after 45 days; those of a later period are due 28 days later each.
    assert max((x.due_date - net.now.date()).days for x in one) <= 45
    assert max((x.due_date - net.now.date()).days for x in book) <= 45 + (periods - 1) * days
    first_due = min(x.due_date for x in one)
    per_period = [0] * (periods + 2)
    for x in book:
        per_period[(x.due_date - first_due).days // days] += 1
        assert x.received_at <= net.now
        assert x.release_at.date() < x.due_date
    middle = per_period[1:periods]
    assert all(0.85 * lines < n < 1.15 * lines for n in middle), per_period
    with pytest.raises(ValueError, match="1 period"):
        make_book(net, 1, 1, zone, periods=0)


def test_a_book_without_lines_for_its_specials_is_refused() -> None:
    net, zone = load_network(DEMO / "network.yaml")
    special = make_book(net, 2, 1, zone)
    with pytest.raises(ValueError, match="at least 2 lines"):
        make_book(net, 1, 1, zone, specials=special)


def test_good_friday_moves_a_due_date_where_it_is_kept() -> None:
    friday = date(2026, 4, 3)
    assert working_day_before(friday, "DE") == date(2026, 4, 2)
    assert working_day_before(friday, "FR") == friday
    assert working_day_before(date(2026, 4, 6), "DE") == date(2026, 4, 2)


@given(
    width=st.floats(1, 260),
    depth=st.floats(1, 260),
    screw=st.floats(5, 20),
    ratio=st.floats(1.5, 4),
    round_=st.booleans(),
)
@settings(max_examples=200, deadline=None)
def test_a_piece_said_to_stand_is_inside_the_plate_and_off_the_screws(
    width: float, depth: float, screw: float, ratio: float, round_: bool
) -> None:
    zones = () if round_ else (KeepOutZone(screw, screw, 8.0), KeepOutZone(241 - screw, 241 - screw, 8.0))
    plate = Plate(241, 241, round_, 4, 2.5, zones)
    if not stands_on(plate, Stance("a", 10, width, depth, 0), ratio):
        return
    short, long = sorted((width, depth))
    assert long <= 241 - 2 * 4
    if round_:
        assert width**2 + depth**2 <= 233.0**2 + 1e-6
        return
    # Centred, either way round: the corner of the box keeps off the screw unless a whole side stays short of it.
    reach_x, reach_y = (241 - short) / 2 - screw, (241 - long) / 2 - screw
    clear = max(reach_x, 0.0) ** 2 + max(reach_y, 0.0) ** 2
    assert clear > 8.0**2
