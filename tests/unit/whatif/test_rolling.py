"""Months lived day by day: streams common to all scenarios, no sight of the future, figures that add up."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from router.domain.network import Scenario
from router.domain.orders import OrderLine
from router.formats.scenario_folder import read_scenario
from router.kernel.moments import to_minute
from router.planning.problem import Problem
from router.scheduling.book import line_cents
from router.scheduling.draft import Draft
from router.whatif.rolling.deliveries import arrival, delivered
from router.whatif.rolling.figures import FIGURES, figures_of
from router.whatif.rolling.life import Habits, Life, _Living, live
from router.whatif.rolling.replicate import renewed
from router.whatif.rolling.streams import draw_stream, history_of

SMALL = Path(__file__).parents[3] / "scenarios" / "small"
DAYS = 45


@pytest.fixture(scope="module")
def small() -> Scenario:
    return read_scenario(SMALL)


@pytest.fixture(scope="module")
def stream(small: Scenario) -> tuple[OrderLine, ...]:
    return draw_stream(history_of(small), small.network.now, DAYS, 7)


def lived(small: Scenario, lines: tuple[OrderLine, ...], days: int = DAYS) -> Life:
    return live(Scenario(renewed(small.network), lines, small.parts, "test"), days, 3, Habits(rounds_a_day=3))


@pytest.fixture(scope="module")
def life(small: Scenario, stream: tuple[OrderLine, ...]) -> Life:
    return lived(small, stream)


def test_orders_come_at_the_rate_of_their_history(small: Scenario) -> None:
    history = history_of(small)
    days = 4000
    lines = draw_stream(history, small.network.now, days, 1)
    orders = len({x.order_id for x in lines})
    expected = history.orders_a_day * days
    # A Poisson count strays by five standard deviations once in some millions.
    assert abs(orders - expected) < 5 * expected**0.5
    assert all(x.received_at.weekday() < 5 for x in lines)
    assert all(x.received_at <= x.release_at for x in lines)


def test_more_demand_adds_orders_and_takes_none(small: Scenario, stream: tuple[OrderLine, ...]) -> None:
    history = history_of(small)
    more = draw_stream(history, small.network.now, DAYS, 7, lambda line, years, month: 2.0)
    fewer = draw_stream(history, small.network.now, DAYS, 7, lambda line, years, month: 0.5)
    assert set(fewer) < set(stream) < set(more)
    with pytest.raises(ValueError, match="between 0 and 4"):
        draw_stream(history, small.network.now, DAYS, 7, lambda line, years, month: 5.0)


def test_equal_seeds_live_equal_lives(small: Scenario, stream: tuple[OrderLine, ...], life: Life) -> None:
    again = lived(small, stream)
    assert again.builds == life.builds and again.arrivals == life.arrivals and again.promised == life.promised


def test_the_planner_does_not_see_the_future(small: Scenario, stream: tuple[OrderLine, ...], life: Life) -> None:
    """With other orders from some day on, everything that began before that day is the same."""
    turn = to_minute(small.network.now + timedelta(days=20))
    before = tuple(x for x in stream if to_minute(x.received_at) <= turn)
    assert 0 < len(before) < len(stream)
    later = [x for x in stream if to_minute(x.received_at) > turn]
    # As many lines as before, so that tables are of the same size, but all of them larger and due at once.
    other = tuple(
        replace(x, quantity=x.quantity * 2, due_date=x.received_at.date(), late_cents_per_day=90_000) for x in later
    )
    changed = lived(small, (*before, *other))

    def begun(found: Life) -> list[object]:
        return [
            (b.machine, b.run_start, b.run_h, [(found.problem.lines[i].line_id, a) for i, a in b.area_by_line])
            for b in sorted(found.builds, key=lambda b: (b.machine, b.run_start))
            if b.run_start < turn
        ]

    assert begun(life) and begun(life) == begun(changed)


def test_nothing_begins_before_it_is_received_or_in_the_past(life: Life) -> None:
    lines = life.problem.lines
    for build in life.builds:
        for line, _ in build.area_by_line:
            # Planned at six on the day after receipt at the latest, and never for a moment gone by.
            assert build.run_start >= to_minute(lines[line].release_at)
    assert all(p == 0 or p >= x.due_date.toordinal() for p, x in zip(life.promised, lines, strict=True))


def test_figures_add_up(small: Scenario, life: Life) -> None:
    start, end = to_minute(small.network.now), to_minute(small.network.now + timedelta(days=DAYS))
    whole = figures_of(life, start, end, 500.0)
    assert set(whole) == set(FIGURES)
    assert whole["lines"] == len(life.problem.lines)
    assert whole["landed_cents"] == pytest.approx(whole["build_cents"] + whole["after_cents"])
    # Counted over all lines a build is counted whole.
    assert whole["build_cents"] == pytest.approx(sum(b.cents for b in life.builds))
    assert whole["after_cents"] == sum(a.cents for a in life.arrivals if a is not None)
    middle = to_minute(small.network.now + timedelta(days=20))
    parts = [figures_of(life, start, middle, 500.0), figures_of(life, middle, end, 500.0)]
    for name in ("landed_cents", "lines", "km", "co2e_kg", "builds"):
        assert parts[0][name] + parts[1][name] == pytest.approx(whole[name])
    assert 0 < whole["mean_cover"] <= 1 and 0 <= whole["late_share"] <= 1


def test_a_delivery_is_the_one_its_cents_were_counted_for(life: Life) -> None:
    """Lateness of the chosen legs, worked out here by hand from the due date."""
    known = [(i, a) for i, a in enumerate(life.arrivals) if a is not None]
    assert known
    for line, found in known:
        wanted = life.problem.lines[line]
        assert sum(leg.pieces for leg in found.legs) == wanted.quantity
        assert found.late_days == max(0, max(leg.day for leg in found.legs) - wanted.due_date.toordinal())


def test_deliveries_are_worked_out_as_the_kernels_price_them(small: Scenario, stream: tuple[OrderLine, ...]) -> None:
    """``delivered`` walks the same way as the compiled ``line_cents`` and must come to the same lateness and cents."""
    living = _Living(Problem(Scenario(renewed(small.network), stream, small.parts, "test")), 3, Habits(rounds_a_day=1))
    living.run(DAYS)
    compared = late = 0
    for line in range(len(stream)):
        found = delivered(living.shop, living.draft.book, line)
        assert arrival(living.shop, living.draft.book, line) == (0 if found is None else found.day)
        if found is not None:
            assert (found.cents, found.late_days) == line_cents(living.shop, living.draft.book, line)
            compared, late = compared + 1, late + (found.late_days > 0)
    assert compared > 10 and late > 0


@pytest.mark.parametrize(("refusals", "comes"), [(1, True), (5, True), (6, False)])
def test_a_line_without_a_place_is_asked_about_again_for_some_days(
    small: Scenario, stream: tuple[OrderLine, ...], refusals: int, comes: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    days, asked = 30, []
    plain = Draft.insert

    def refused(self: Draft, line: int, blink: float = 0.0, credit: float = 0.0, most: int = 0) -> bool:
        if line == chosen and not blink:
            asked.append(credit > 0)
            # Every day with and without credit for a new plate.
            if len(asked) <= 2 * refusals:
                return False
        return plain(self, line, blink, credit, most)

    first = lived(small, stream, days)
    chosen = next(i for i, a in enumerate(first.arrivals) if a is not None and not stream[i].approved_sites)
    monkeypatch.setattr(Draft, "insert", refused)
    found = live(Scenario(renewed(small.network), stream, small.parts, "test"), days, 3, Habits(rounds_a_day=0))
    assert (found.arrivals[chosen] is not None) == comes
    # On its day and on five more.
    assert sum(asked) == min(refusals + 1, 6)
    received = to_minute(stream[chosen].received_at)
    begun = [b.run_start for b in found.builds if any(line == chosen for line, _ in b.area_by_line)]
    assert bool(begun) == comes and all(start >= received + (refusals - 1) * 24 * 60 for start in begun)
    assert (found.promised[chosen] > 0) == comes
