"""Edges: the end of the calendars, windows after days off, shares nobody can fill, workers that fail, full plans."""

from __future__ import annotations

from concurrent.futures import Executor, Future
from typing import Any

import numpy as np
import pytest
from tiny_shop import Around, TinyCarrier, TinyLine, TinyMachine, TinyVariant, tiny_shop

from router.kernel.run import WorkLimit
from router.scheduling.book import TIMES, plate_with, time_plate
from router.scheduling.draft import Care, Draft
from router.scheduling.prices import shipping
from router.scheduling.rooms import SumRooms
from router.scheduling.search import Search, first_plan
from router.scheduling.shop import NEVER, Shop
from router.scheduling.solve import SolveParams, sizes_for, solve

CARE = Care(cover=1.0)


def _draft(shop: Shop, sizes: list[float]) -> Draft:
    return Draft(shop, SumRooms(sizes, [10.0]), sizes_for(shop, 400), 1, CARE)


def test_an_arrival_beyond_the_calendar_is_no_shipment_and_no_gain() -> None:
    shop = tiny_shop(
        [TinyLine(due=1, late_cents=5000)],
        [TinyMachine(area=10)],
        [[[TinyVariant(0, 1.0)]]],
        Around(carriers={(0, 0): [TinyCarrier(days=5)]}, days=30),
    )
    assert shipping(shop, 0, 0, 1, 100)[0] < NEVER
    costs = [shipping(shop, 0, 0, 1, ready)[0] for ready in range(0, 3000, 50)]
    assert min(costs) >= 0
    assert costs[-1] == NEVER


def test_a_run_waits_for_its_window_over_days_without_people() -> None:
    shop = tiny_shop(
        [TinyLine(due=90, release=200, windows={0: (5000, 9000)})],
        [TinyMachine(area=10, load_min=30)],
        [[[TinyVariant(0, 1.0)]]],
        Around(staffed={0: [(0, 100), (4969, 9000)]}, days=100),
    )
    draft = _draft(shop, [1.0])
    plate = plate_with(shop, draft.book, -1, 0, 0, 0, 1)
    times = np.zeros(1, dtype=TIMES)
    nothing = shop.changes.shape[2]
    assert time_plate(shop, draft.book.plates[plate], 0, 0, nothing, times[0])
    assert times[0]["run"] >= 5000


def _three_lines() -> Shop:
    return tiny_shop(
        [TinyLine(due=9), TinyLine(due=9), TinyLine(due=9, windows={0: (5, 6)})],
        [TinyMachine(area=10, load_min=20), TinyMachine(area=10, load_min=20)],
        [[[TinyVariant(i, 1.0, 5)]] for i in range(3)],
    )


def test_a_share_without_lines_or_with_lines_nobody_can_place_just_ends() -> None:
    shop = _three_lines()
    draft = _draft(shop, [1.0] * 3)
    first_plan(draft)
    assert draft.missing == 1
    for machine in (0, 1):
        share = _draft(shop, [1.0] * 3)
        share.load(draft.unload())
        share.keep_to([machine])
        Search(share, 3, WorkLimit(60), lambda work: work / 60).run()
        assert share.missing == 1
        assert share.cents <= draft.cents


def test_a_plan_with_more_pieces_than_wanted_is_refused_and_changes_nothing() -> None:
    shop = _three_lines()
    draft = _draft(shop, [1.0] * 3)
    first_plan(draft)
    before = draft.unload()
    plate = ([(0, 0, 1)], 1.0)
    with pytest.raises(ValueError, match="line 0: 2 pieces in 2 lots"):
        draft.load([[plate, plate], []])
    assert draft.unload() == before


class _Broken(Executor):
    """Every share is lost."""

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.set_exception(OSError("the machine is gone"))
        return future


def test_a_lost_worker_costs_no_plan() -> None:
    shop = _three_lines()
    rooms = SumRooms([1.0] * 3, [10.0])
    params = SolveParams(seconds=30, workers=2, care=CARE)
    outcome = solve(shop, rooms, params, executor=_Broken())
    assert outcome.stop_reason == "a worker failed: OSError: the machine is gone"
    assert outcome.draft.missing == 1
    assert outcome.draft.book.lengths.sum() > 0
