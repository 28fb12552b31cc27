"""A draft takes every change back exactly, and its running sums are those of the plan counted afresh."""

from __future__ import annotations

import random
from typing import Any

import numba as nb
import numpy as np
import pytest
from random_shop import Case, random_case

from router.scheduling.book import set_queue
from router.scheduling.draft import Care, Draft
from router.scheduling.kernel import kernel
from router.scheduling.offers import PLACE, price_place, rank_places
from router.scheduling.search import first_plan
from router.scheduling.solve import sizes_for

SEEDS = range(2000, 2012)
LONG_SEEDS = range(3000, 3006)
"""With queues so long that a change is often not felt to their ends."""


def _draft(case: Case, seed: int = 0) -> Draft:
    return Draft(case.shop, case.rooms, sizes_for(case.shop, 400), seed, Care(cover=1.0))


def _case(seed: int) -> Case:
    return random_case(seed, most_lines=8, largest=4)


def _figures(draft: Draft) -> dict[str, Any]:
    """Every figure of the plan that stands, scratch fields aside."""
    book = draft.book
    queues = [draft.queue(k) for k in range(len(draft.site))]
    standing = book.standing[["first", "lots", "pieces", "cents", "late"]].copy()
    lots = [sorted(book.lots[int(s["first"]) : int(s["first"]) + int(s["lots"])].tolist()) for s in book.standing]
    return {
        "queues": queues,
        "times": [book.times[k, : len(q)].tolist() for k, q in enumerate(queues)],
        "machine cents": book.machine_cents.tolist(),
        "standing": standing.tolist(),
        "lots": lots,
        "cents": draft.cents,
        "missing": draft.missing,
        "plates": {p: (draft.lines_on(p), int(book.plates[p]["position"])) for q in queues for p in q},
        "held": {p: draft.held[p] for q in queues for p in q},
    }


def _afresh(case: Case, draft: Draft) -> Draft:
    twin = _draft(case)
    twin.load(draft.unload())
    return twin


def _change(draft: Draft, rng: random.Random) -> bool:
    """One random step: lines out, a plate out, plates moved, or a line in: whole, in small lots, on some machines."""
    plates = [p for k in range(len(draft.site)) for p in draft.queue(k)]
    way = rng.randrange(4)
    if way == 0 and plates:
        plate = rng.choice(plates)
        line = rng.choice(draft.lines_on(plate))[0]
        return draft.remove([(line, plate)])
    if way == 1 and plates:
        plate = rng.choice(plates)
        return draft.remove([(line, plate) for line, _, _ in draft.lines_on(plate)])
    if way == 2 and plates:
        queue = draft.queue(int(draft.book.plates[rng.choice(plates)]["machine"]))
        first = rng.randrange(len(queue))
        return draft.move(queue[first : first + rng.randint(1, 3)])
    line = rng.randrange(len(draft.quantity))
    if not draft.buildable[line]:
        return True
    if rng.random() < 0.3:
        return draft.insert_at(line, rng.sample(range(len(draft.site)), 1), pieces=rng.randint(0, 2))
    return draft.insert(line, blink=0.3, most=rng.randint(0, 2))


def _check_free(draft: Draft) -> None:
    free = draft.book.free[: int(draft.book.sums[0]["free"])].tolist()
    queued = [p for k in range(len(draft.site)) for p in draft.queue(k)]
    assert len(set(free)) == len(free), "a plate is free twice"
    assert len(set(queued)) == len(queued), "a plate stands in two places"
    assert not set(free) & set(queued), "a plate is both free and queued"
    kept = np.flatnonzero(draft.book.plates["kept"]).tolist()
    assert not set(free) & set(kept), "a plate of the best plan is free"
    # Nothing is lost: what is neither free nor queued is kept for the best plan.
    assert set(range(draft.sizes.plates)) - set(free) - set(queued) <= set(kept)


def _times(draft: Draft) -> list[Any]:
    return [draft.book.times[k, : len(draft.queue(k))].tolist() for k in range(len(draft.site))]


@pytest.mark.parametrize(("seed", "lines"), [*((s, 8) for s in SEEDS), *((s, 40) for s in LONG_SEEDS)])
def test_changes_are_taken_back_exactly_and_kept_ones_are_counted_right(seed: int, lines: int) -> None:
    case = random_case(seed, most_lines=lines, largest=4)
    draft = _draft(case, seed)
    first_plan(draft)
    rng = random.Random(seed)
    kept = 0
    for _ in range(40):
        before = _figures(draft)
        good = True
        for _ in range(rng.randint(1, 4)):
            mark = len(draft.journal)
            step = _figures(draft)
            if not _change(draft, rng):
                good = False
                if rng.random() < 0.5:
                    # A part of the changes taken back: the state is the one at the mark.
                    draft.roll_back(mark)
                    assert mark == 0 or _figures(draft) == step
                break
        if not good or rng.random() < 0.5:
            draft.roll_back()
            assert _figures(draft) == before
        else:
            draft.commit()
            kept += 1
            twin = _afresh(case, draft)
            assert _times(twin) == _times(draft)
            assert (twin.missing, twin.cents) == (draft.missing, draft.cents)
            assert twin.book.machine_cents.tolist() == draft.book.machine_cents.tolist()
            assert twin.book.standing["cents"].tolist() == draft.book.standing["cents"].tolist()
            assert twin.book.standing["late"].tolist() == draft.book.standing["late"].tolist()
        _check_free(draft)
    assert kept > 0


def test_a_plan_survives_unload_and_load() -> None:
    case = _case(2001)
    draft = _draft(case)
    first_plan(draft)
    plan = draft.unload()
    assert sum(len(queue) for queue in plan) > 1
    twin = _draft(case)
    twin.load(plan)
    assert twin.unload() == plan
    # Over a plan that stands already, as well.
    other = _draft(case, 5)
    first_plan(other)
    other.load(plan)
    assert other.unload() == plan
    assert other.cents == draft.cents
    _check_free(other)


def test_a_plan_no_machine_can_run_is_refused() -> None:
    case = _case(2001)
    draft = _draft(case)
    first_plan(draft)
    plan = draft.unload()
    case.shop.gates["before"] = 1
    with pytest.raises(ValueError, match="cannot run"):
        _draft(case).load(plan)


def test_restore_brings_the_snapshot_back() -> None:
    case = _case(2003)
    draft = _draft(case)
    first_plan(draft)
    before = _figures(draft)
    best = draft.snapshot()
    rng = random.Random(1)
    changed = 0
    for _ in range(30):
        if _change(draft, rng):
            draft.commit()
            changed += 1
        else:
            draft.roll_back()
        _check_free(draft)
    assert changed > 5
    draft.restore(best)
    after = _figures(draft)
    assert {k: v for k, v in after.items() if k != "lots"} == {k: v for k, v in before.items() if k != "lots"}
    assert after["lots"] == before["lots"]


def test_a_line_that_may_not_split_stays_at_one_site() -> None:
    seen = 0
    for seed in SEEDS:
        case = _case(seed)
        draft = _draft(case)
        first_plan(draft)
        for line, may in enumerate(draft.may_split):
            sites = {draft.site[int(draft.book.plates[p]["machine"])] for p in draft.plates_of(line)}
            assert may or len(sites) <= 1
            seen += len(draft.plates_of(line)) > 1
    assert seen > 0


def test_own_plate_and_coupons_hold() -> None:
    alone = coupons = 0
    for seed in SEEDS:
        case = _case(seed)
        draft = _draft(case)
        first_plan(draft)
        for k in range(len(draft.site)):
            for plate in draft.queue(k):
                lines = [line for line, _, _ in draft.lines_on(plate)]
                rows = case.shop.lines[lines]
                assert len({int(g) for g in rows["powder"]}) == 1
                if rows["own_plate"].any():
                    assert len(lines) == 1
                    alone += 1
                wanted = int(rows["coupons"].max())
                assert int(draft.book.plates[plate]["coupons"]) == wanted
                coupons += wanted
    assert alone and coupons


def test_small_lots_and_chosen_machines_are_kept_to() -> None:
    parted = placed = wished = 0
    for seed in range(1000, 1040):
        case = _case(seed)
        draft = _draft(case, seed)
        first_plan(draft)
        for line, quantity in enumerate(draft.quantity):
            if not draft.buildable[line] or draft.placed(line) < quantity:
                continue
            draft.remove([(line, plate) for plate in draft.plates_of(line)])
            draft.commit()
            before = _figures(draft)
            lacking = draft.wished(line)
            assert _figures(draft) == before
            assert len(dict(lacking)) == len(lacking)
            for plate, lacks in lacking:
                assert draft.book.plates[plate]["position"] >= 0
                wished += lacks > 0
            for k in range(len(draft.site)):
                if draft.insert_at(line, [k], pieces=1):
                    placed += 1
                    assert draft.placed(line) == 1
                    (plate,) = draft.plates_of(line)
                    assert draft.book.plates[plate]["machine"] == k
                    if quantity > 1:
                        others = [m for m in range(len(draft.site)) if m != k]
                        if draft.insert_at(line, others, pieces=1):
                            parted += 1
                            assert len(draft.plates_of(line)) == 2
                draft.roll_back()
                assert _figures(draft) == before
            break
    assert parted > 5 and placed > 20 and wished > 5, (parted, placed, wished)


def test_a_row_of_plates_moves_together_and_in_order() -> None:
    moved = 0
    for seed in range(60):
        case = _case(seed)
        draft = _draft(case, seed)
        first_plan(draft)
        for k in range(len(draft.site)):
            queue = draft.queue(k)
            if len(queue) < 2:
                continue
            held = [draft.lines_on(p) for p in queue[:2]]
            if draft.move(queue[:2]):
                rows = [[draft.lines_on(p) for p in draft.queue(m)] for m in range(len(draft.site))]
                lines = [[[(line, n) for line, _, n in on] for on in row] for row in rows]
                block = [[(line, n) for line, _, n in on] for on in held]
                assert any(row[p : p + 2] == block for row in lines for p in range(len(row)))
                moved += 1
            draft.roll_back()
    assert moved > 10, moved


def test_places_left_out_by_their_floors_would_not_have_been_among_the_best() -> None:
    asked = cut = 0
    for seed in LONG_SEEDS:
        draft = _draft(random_case(seed, most_lines=40, largest=4), seed)
        first_plan(draft)
        for line in range(len(draft.quantity)):
            if not draft.buildable[line] or not draft.remove([(line, p) for p in draft.plates_of(line)]):
                draft.roll_back()
                continue
            few, all_of_them = _ranked(draft, line, 3, 2), _ranked(draft, line, 400, 400)
            draft.roll_back()
            assert few[0] == all_of_them[0][:3]
            # Where nothing counts as in time yet more places are looked at: never worse ones.
            assert all(a[0] <= b[0] for a, b in zip(few[1], all_of_them[1][:2], strict=True))
            asked += 1
            cut += len(all_of_them[0]) > 3 and len(all_of_them[1]) > 2
    assert asked > 50 and cut > 20


def _ranked(draft: Draft, line: int, joins: int, fresh: int) -> tuple[list[Any], list[Any]]:
    """The best places to join and for a new plate, as many as asked for."""
    draft._put(line, int(draft.quantity[line]) - draft.placed(line), 0.0, 0.5)
    found, new = np.zeros(joins, dtype=PLACE), np.zeros(fresh, dtype=PLACE)
    n, m = rank_places(draft.shop, draft.book, draft.open, draft.firm, draft._ask, draft._scratch, found, new)
    return found[:n].tolist(), new[:m].tolist()


def test_kernels_count_no_references() -> None:
    for called in (rank_places, price_place, set_queue):
        options = called.targetoptions  # type: ignore[attr-defined]
        assert options["_nrt"] is False, "every call counts all arrays of shop and book up and down"
    counted = nb.njit(kernel_that_allocates)
    assert counted(3) == 3.0
    with pytest.raises(nb.core.errors.NumbaError, match="pipeline"):
        kernel(kernel_that_allocates)(3)


def kernel_that_allocates(n: int) -> float:
    return float(np.ones(n).sum())
