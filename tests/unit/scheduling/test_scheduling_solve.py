"""Runs of the search: repeatable, within their limits, in one process or several."""

from __future__ import annotations

import multiprocessing
import multiprocessing.connection
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import Any

import pytest
from child_processes import all_end, needs_proc, runs
from random_shop import Case, random_case
from tiny_shop import TinyLine, TinyMachine, TinyVariant, tiny_shop

from router.kernel.run import AnyOf, Silent, WorkLimit
from router.scheduling.draft import Care, Draft
from router.scheduling.rooms import SumRooms
from router.scheduling.search import Search, first_plan
from router.scheduling.solve import Outcome, SolveParams, sizes_for, solve

CARE = Care(cover=1.0)


def _shop(lines: int = 40, machines: int = 6) -> Case:
    """Lines of one powder on like machines of two sites, tight due dates: enough to search in."""
    sizes = [1.0 + (7 * i) % 5 for i in range(lines)]
    shop = tiny_shop(
        [TinyLine(1 + i % 3, due=1 + i % 9, late_cents=500, place=0, may_split=i % 2 == 0) for i in range(lines)],
        [
            TinyMachine(k % 2, area=10, start_cents=400, layer_cents=3, load_min=2, unload_min=2)
            for k in range(machines)
        ],
        [[[TinyVariant(i, sizes[i], 10 + (11 * i) % 30, 0.1, full=int(10 // sizes[i]))]] for i in range(lines)],
    )
    return Case(shop, SumRooms(sizes, [10.0]), 0)


def _solved(case: Case, seed: int, work: int) -> Outcome:
    return solve(case.shop, case.rooms, SolveParams(seed=seed, seconds=None, work=work, care=CARE))


class _Counting(ProcessPoolExecutor):
    """Counts what is asked of it."""

    asked = 0

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        self.asked += 1
        return super().submit(fn, *args, **kwargs)


def test_equal_seeds_give_equal_plans_and_others_do_not() -> None:
    plans = []
    for seed in (1, 1, 2):
        case = _shop()
        plans.append(_solved(case, seed, 120))
    first, again, other = plans
    assert first.draft.unload() == again.draft.unload()
    assert [t[1:] for t in first.trace] == [t[1:] for t in again.trace]
    assert first.draft.unload() != other.draft.unload()
    assert first.work == 120 and first.stop_reason == "work limit of 120 units"


def test_the_search_only_gets_better_and_its_trace_says_so() -> None:
    case = _shop()
    ended = _solved(case, 3, 400)
    cents = [t[2] for t in ended.trace]
    assert cents == sorted(cents, reverse=True)
    assert cents[0] == ended.first_cents and cents[-1] == ended.draft.cents < ended.first_cents
    assert ended.draft.missing == 0


def test_a_bound_that_is_met_ends_the_run() -> None:
    case = _shop()
    first = solve(case.shop, case.rooms, SolveParams(seed=1, seconds=None, work=0, care=CARE))
    ended = solve(
        case.shop, case.rooms, SolveParams(seed=1, seconds=None, work=500, care=CARE), bound=first.first_cents
    )
    assert (ended.work, ended.stop_reason) == (0, "bound reached")


def test_cancel_keeps_the_first_plan() -> None:
    case = _shop()
    cancel = threading.Event()
    cancel.set()
    ended = solve(case.shop, case.rooms, SolveParams(seconds=30.0, care=CARE), cancel=cancel)
    assert ended.stop_reason == "cancelled" and ended.draft.missing == 0


def test_a_run_begins_with_the_plan_it_is_given() -> None:
    case = _shop()
    better = solve(case.shop, case.rooms, SolveParams(seed=1, seconds=None, work=300, care=CARE))
    again = solve(
        case.shop, case.rooms, SolveParams(seed=9, seconds=None, work=0, care=CARE), start=better.draft.unload()
    )
    assert again.draft.cents == better.draft.cents
    assert again.draft.unload() == better.draft.unload()


def test_machines_of_others_are_left_alone() -> None:
    case = _shop()
    draft = Draft(case.shop, case.rooms, sizes_for(case.shop), 0, CARE)
    first_plan(draft)
    foreign = (1, 3, 5)
    before = draft.unload()
    mine = [k for k in range(6) if k not in foreign]
    draft.keep_to(mine)
    elsewhere = {line for k in foreign for on, _ in before[k] for line, _, _ in on}
    assert elsewhere and not any(draft.mine[line] for line in elsewhere)
    cents = draft.cents
    Search(draft, 1, AnyOf([WorkLimit(300)]), lambda work: work / 300).run()
    after = draft.unload()
    assert [after[k] for k in foreign] == [before[k] for k in foreign]
    assert [after[k] for k in mine] != [before[k] for k in mine]
    assert draft.cents < cents


@pytest.mark.skipif("fork" not in multiprocessing.get_all_start_methods(), reason="workers of this test are forked")
def test_two_workers_give_a_plan_that_counts_right() -> None:
    # Six machines are searched by both workers whole; 26 are cut between them.
    for case in (_shop(), _shop(lines=60, machines=26)):
        with _Counting(2, multiprocessing.get_context("fork")) as pool:
            ended = solve(case.shop, case.rooms, SolveParams(seed=1, seconds=3.5, workers=2, care=CARE), executor=pool)
        assert pool.asked >= 2
        assert ended.workers == 2 and ended.draft.missing == 0 and ended.work > 0
        assert ended.draft.cents <= ended.first_cents
        twin = Draft(case.shop, case.rooms, ended.draft.sizes, 0, CARE)
        twin.load(ended.draft.unload())
        assert (twin.missing, twin.cents) == (0, ended.draft.cents)


def test_a_shop_that_cannot_build_everything_builds_the_rest() -> None:
    case = random_case(9, most_lines=7)
    ended = solve(case.shop, case.rooms, SolveParams(seconds=None, work=300, care=CARE))
    assert ended.draft.missing == 1
    placed = ended.draft.book.standing["pieces"]
    assert (placed >= 0).all() and placed.sum() == case.pieces - 1


class _Impatient(Silent):
    """Cancels a second after the first epoch, in the middle of the next."""

    def __init__(self) -> None:
        self.cancel = threading.Event()
        self.called_s: list[float] = []
        self._searching = False

    def phase(self, name: str, steps: int | None) -> None:
        self._searching = name == "search"

    def step(self, done: int) -> None:
        if self._searching and not self.cancel.is_set():
            threading.Timer(1.0, self._call_off).start()

    def _call_off(self) -> None:
        self.called_s.append(time.monotonic())
        self.cancel.set()


@pytest.mark.skipif("fork" not in multiprocessing.get_all_start_methods(), reason="workers of this test are forked")
def test_cancel_is_heard_in_the_middle_of_an_epoch_and_what_was_found_is_kept() -> None:
    case = _shop(lines=60, machines=26)
    impatient = _Impatient()
    params = SolveParams(seed=1, seconds=60.0, workers=2, care=CARE)
    ended = solve(case.shop, case.rooms, params, listener=impatient, cancel=impatient.cancel)
    assert (
        time.monotonic() - impatient.called_s[0] < 5.0
    )  # an epoch of such a run is 10 s, and the whole of it a minute
    assert ended.stop_reason == "cancelled" and ended.workers == 2 and ended.work > 0
    twin = Draft(case.shop, case.rooms, ended.draft.sizes, 0, CARE)
    twin.load(ended.draft.unload())
    assert (twin.missing, twin.cents) == (0, ended.draft.cents)


def test_a_pool_that_takes_no_more_work_leaves_the_plan_there_is() -> None:
    class Tired(ProcessPoolExecutor):
        """Broken from the third share on, as after a child was killed between epochs."""

        asked = 0

        def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
            self.asked += 1
            if self.asked > 2:
                raise BrokenProcessPool("a child was killed")
            return super().submit(fn, *args, **kwargs)

    case = _shop(lines=30, machines=4)
    with Tired(2) as pool:
        ended = solve(case.shop, case.rooms, SolveParams(seed=1, seconds=20.0, workers=2, care=CARE), executor=pool)
    assert "a worker failed: BrokenProcessPool" in ended.stop_reason
    assert ended.draft.missing == 0 and ended.draft.cents <= ended.first_cents


def _search_long(told: multiprocessing.connection.Connection) -> None:
    """In a process of its own: a search with two workers, whose numbers are told."""
    case = _shop(lines=60, machines=26)

    class Telling(Silent):
        told_once = False

        def step(self, done: int) -> None:
            if not self.told_once and len(multiprocessing.active_children()) == 2:
                self.told_once = True
                told.send([child.pid for child in multiprocessing.active_children()])

    solve(case.shop, case.rooms, SolveParams(seed=1, seconds=60.0, workers=2, care=CARE), listener=Telling())


@needs_proc
def test_workers_end_with_a_lead_that_is_killed() -> None:
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe()
    lead = context.Process(target=_search_long, args=(there,))
    lead.start()
    assert here.poll(60), "the search tells its workers"
    workers = here.recv()
    assert len(workers) == 2 and all(runs(pid) for pid in workers)
    lead.kill()
    lead.join()
    assert all_end(workers)


@pytest.mark.skipif("fork" not in multiprocessing.get_all_start_methods(), reason="workers of this test are forked")
def test_cancel_is_heard_in_an_epoch_of_workers_of_somebody_else() -> None:
    case = _shop(lines=60, machines=26)
    impatient = _Impatient()
    params = SolveParams(seed=1, seconds=60.0, workers=2, care=CARE)
    with ProcessPoolExecutor(2, multiprocessing.get_context("fork")) as pool:
        ended = solve(case.shop, case.rooms, params, listener=impatient, cancel=impatient.cancel, executor=pool)
        waited_s = time.monotonic() - impatient.called_s[0]
    assert waited_s < 2.5
    assert ended.stop_reason == "cancelled" and ended.draft.missing == 0


def test_a_campaign_is_no_longer_than_it_may_be(monkeypatch: pytest.MonkeyPatch) -> None:
    # One alloy throughout, so that every neighbour belongs to the campaign.
    case = _shop(lines=60, machines=1)
    draft = Draft(case.shop, case.rooms, sizes_for(case.shop), 0, CARE)
    first_plan(draft)
    assert len(draft.queue(0)) > 14
    moved: list[int] = []

    def noted(plates: list[int]) -> bool:
        moved.append(len(plates))
        return False

    monkeypatch.setattr(draft, "move", noted)
    search = Search(draft, 1, AnyOf([WorkLimit(1)]), lambda work: 0.0)
    for _ in range(200):
        search._move_campaign()
    assert max(moved) == 6
