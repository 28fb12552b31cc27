"""Times of the scheduling kernels against values worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from tiny_shop import Around, TinyLine, TinyMachine, TinyStep, TinyVariant, tiny_shop

from router.scheduling.book import TIMES, Book, new_book, plate_with, time_plate
from router.scheduling.calendar import arrival_day, attended_end, next_staffed, through
from router.scheduling.shop import ATTENDED, BOUGHT, NEVER, UNATTENDED, Row, Shop

SHIFTS = [(100, 150), (160, 200), (300, 400)]
"""Two stretches with a pause of 10 between them, then one the next day."""


def _shop(machine: TinyMachine, line: TinyLine | None = None, **around: object) -> Shop:
    settings = {"staffed": {0: SHIFTS}, "days": 20, **around}
    line = line or TinyLine()
    return tiny_shop([line], [machine], [[[TinyVariant(0, 10.0, layers=30)]]], Around(**settings))  # type: ignore[arg-type]


def _plate(shop: Shop, pieces: int = 1) -> tuple[Book, Row]:
    book = new_book(shop, 4, 4, 4)
    row = plate_with(shop, book, -1, 0, 0, 0, pieces)
    return book, book.plates[row]


def _time(shop: Shop, at: int = 0, loaded: int | None = None) -> Row | None:
    _, plate = _plate(shop)
    out = np.zeros(1, dtype=TIMES)
    nothing = shop.changes.shape[2]
    return out[0] if time_plate(shop, plate, 0, at, nothing if loaded is None else loaded, out[0]) else None


@pytest.mark.parametrize(
    ("t", "minutes", "end"),
    [
        (0, 10, 110),  # waits for the shift
        (120, 30, 150),  # ends exactly with the stretch
        (120, 31, 161),  # the pause is not counted
        (155, 5, 165),  # begun in the pause
        (190, 20, 310),  # goes on the next day
        (100, 190, 400),  # all staffed time there is
        (100, 191, NEVER),
        (400, 1, NEVER),
        (50, 0, 50),  # no work takes no time, staffed or not
    ],
)
def test_attended_work_counts_staffed_minutes_only(t: int, minutes: int, end: int) -> None:
    assert attended_end(_shop(TinyMachine()), 0, t, minutes) == end


@pytest.mark.parametrize(
    ("t", "first"), [(0, 100), (100, 100), (149, 149), (150, 160), (200, 300), (399, 399), (400, NEVER)]
)
def test_next_staffed_minute(t: int, first: int) -> None:
    assert next_staffed(_shop(TinyMachine()), 0, t) == first


def test_steps_follow_one_another_and_round_each_its_own_cents() -> None:
    # Attended: 10 + 3 x (2 + 1.5 x 0.5) = 18.25 -> 19 minutes, 20 + 18.25 x 2 = 56.5 -> 57 cents.
    # Furnace: starts at the next staffed minute (it is already staffed), 200 elapsed, 5 cents.
    # Bought: 100 + 8 x 2.4 = 119.2 -> 119 cents, ready by 360 is collected and back at 500.
    steps = [
        TinyStep(ATTENDED, 10, 2, 1.5, 20, 2.0),
        TinyStep(UNATTENDED, 200, 0, 0, 5, 0),
        TinyStep(BOUGHT, offers=[(100, 8, 0, 0), (120, 0, 0, 0)]),
    ]
    shop = _shop(TinyMachine(), lot_steps={(0, 0): steps}, trips=[[(130, 200), (360, 500)]])
    assert through(shop, 0, 0, 1, 90, 3, 0.5, 2.4, 0) == (119, 57)
    assert through(shop, 0, 0, 2, 90, 3, 0.5, 2.4, 0) == (319, 62)
    assert through(shop, 0, 0, 3, 90, 3, 0.5, 2.4, 0) == (500, 181)


def test_a_furnace_begins_only_when_somebody_is_there() -> None:
    shop = _shop(TinyMachine(), lot_steps={(0, 0): [TinyStep(UNATTENDED, 30)]})
    assert through(shop, 0, 0, 1, 155, 1, 0.0, 1.0, 0) == (190, 0)
    assert through(shop, 0, 0, 1, 200, 1, 0.0, 1.0, 0) == (330, 0)


def test_outside_services_are_chosen_by_lot_cost_among_those_that_hold_the_code() -> None:
    offers = [(100, 0, 0, 0), (300, 0, 1, 1)]
    shop = _shop(TinyMachine(), lot_steps={(0, 0): [TinyStep(BOUGHT, offers=offers)]}, trips=[[(50, 80)], [(60, 90)]])
    assert through(shop, 0, 0, 1, 0, 1, 0.0, 1.0, 0) == (80, 100)
    assert through(shop, 0, 0, 1, 0, 1, 0.0, 1.0, 1) == (90, 300)
    assert through(shop, 0, 0, 1, 0, 1, 0.0, 1.0, 2)[0] == NEVER
    assert through(shop, 0, 0, 1, 50, 1, 0.0, 1.0, 0) == (80, 100)  # the moment itself is in time
    assert through(shop, 0, 0, 1, 51, 1, 0.0, 1.0, 0) == (90, 300)  # the cheaper one collects no more
    assert through(shop, 0, 0, 1, 61, 1, 0.0, 1.0, 0)[0] == NEVER  # nor does the other


def test_arrival_counts_business_days_of_the_place() -> None:
    # Days 5 and 6 of each week are none.
    shop = _shop(TinyMachine(), workdays=lambda d: d % 7 < 5)
    assert [arrival_day(shop, 0, 3, n) for n in (0, 1, 2, 3)] == [3, 4, 7, 8]
    assert arrival_day(shop, 0, 5, 0) == 5
    assert arrival_day(shop, 0, 5, 1) == 7
    assert arrival_day(shop, 0, 19, 5) == NEVER


def test_load_run_and_unload_of_a_build() -> None:
    # 30 layers of 60 s, set-up 5, cool-down 7: 42 minutes. Load 20 from 100, run 120 to 162, unload 10 from 162.
    shop = _shop(TinyMachine(load_min=20, unload_min=10, setup_min=5, cooldown_min=7))
    times = _time(shop)
    assert times is not None
    assert [int(times[f]) for f in ("begin", "load", "run", "run_end", "unload_end", "done")] == [
        *(100, 100, 120, 162, 172, 172)
    ]


def test_a_run_goes_on_through_the_night_but_the_unloading_waits() -> None:
    shop = _shop(TinyMachine(load_min=5, unload_min=10, setup_min=30))
    times = _time(shop, at=180)
    assert times is not None
    # Load 180 to 185, run 60 to 245, unload from 300.
    assert (int(times["run_end"]), int(times["unload_end"])) == (245, 310)


CHANGES = {(0, 0, 1): (30, 70), (0, 1, 0): (-1, 0)}


def test_a_changeover_is_attended_and_paid() -> None:
    line = TinyLine(powder=1)
    shop = _shop(TinyMachine(load_min=10), line, alloy_of=(0, 1), changes=CHANGES)
    times = _time(shop, at=140, loaded=0)
    assert times is not None
    # 140 to 180 with the pause of 10, load to 190.
    assert [int(times[f]) for f in ("begin", "load", "run", "change_cents")] == [140, 180, 190, 70]
    nothing = _time(shop, at=140)
    assert nothing is not None
    assert [int(nothing[f]) for f in ("begin", "load", "change_cents")] == [140, 140, 0]


def test_a_changeover_that_is_never_made() -> None:
    shop = _shop(TinyMachine(), TinyLine(powder=0), alloy_of=(0, 1), changes=CHANGES)
    assert _time(shop, loaded=1) is None
    assert _time(shop, loaded=0) is not None


def test_release_holds_back_the_load_but_not_the_changeover() -> None:
    line = TinyLine(powder=1, release=310)
    shop = _shop(TinyMachine(load_min=10), line, alloy_of=(0, 1), changes=CHANGES)
    times = _time(shop, at=100, loaded=0)
    assert times is not None
    assert [int(times[f]) for f in ("begin", "load", "run")] == [100, 310, 320]


def test_no_stop_is_touched_from_first_activity_to_unloaded() -> None:
    machine = TinyMachine(load_min=10, unload_min=10, stops=[(150, 170)])
    # From 100 the build would take until 150 exactly: half open, so it may.
    assert _end(_shop(machine), 100) == 150
    # From 105 it would end at 165 (the pause) and touches the stop: all of it begins after 170.
    times = _time(_shop(machine), at=105)
    assert times is not None
    assert [int(times[f]) for f in ("begin", "run", "run_end", "unload_end")] == [170, 180, 210, 310]


def _end(shop: Shop, at: int) -> int:
    times = _time(shop, at=at)
    assert times is not None
    return int(times["unload_end"])


def test_the_run_begins_inside_the_window() -> None:
    machine = TinyMachine(load_min=10)
    early = _time(_shop(machine, TinyLine(windows={0: (145, 1000)})), at=100)
    assert early is not None
    # Loaded 35 minutes later than possible, so that the run begins with the window.
    assert [int(early[f]) for f in ("load", "run")] == [135, 145]
    assert _time(_shop(machine, TinyLine(windows={0: (0, 110)})), at=100) is None
    assert _time(_shop(machine, TinyLine(windows={0: (0, 111)})), at=100) is not None
