"""The search against the exact model on 200 random small shops: it reaches the optimum and never beats it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from cpsat_model import cpsat_optimum
from exact_model import ExactModel
from random_shop import Case, random_case

from router.scheduling.draft import Care, Draft, buildable
from router.scheduling.prices import shipping
from router.scheduling.search import Knobs
from router.scheduling.shop import NEVER, Shop
from router.scheduling.solve import Outcome, SolveParams, sizes_for, solve

_CARE = Care(cover=1.0)
"""Small boards can be filled to the last cell."""
_KNOBS = Knobs(start_heat=1.0, end_heat=0.02, blink=0.3)
"""A handful of lines needs a hotter start than thousands do: one changeover moved is dear beside a line's mean cost."""
_ROUNDS, _SEEDS = 3000, 8

SINGLE = [range(first, first + 15) for first in range(0, 150, 15)]
"""Seeds of shops of 3 to 8 lines of one piece each."""
SEVERAL = [range(first, first + 10) for first in range(1000, 1050, 10)]
"""Seeds of shops of 3 to 5 lines, some of two or three pieces, which may be parted over plates."""


def _run(case: Case, seed: int, work: int, bound: float | None = None) -> Outcome:
    params = SolveParams(seed=seed, seconds=None, work=work, care=_CARE, knobs=_KNOBS)
    return solve(case.shop, case.rooms, params, bound=bound)


def _check(seed: int, case: Case) -> None:
    first = _run(case, 1, 0)
    model = ExactModel(case.shop, case.rooms)
    # The exact model must itself find a plan no dearer than the search's, or the search has miscounted.
    best = model.solve(first.draft.cents if first.draft.missing == 0 else NEVER)
    if best is None:
        assert first.draft.missing > 0, (
            f"shop {seed}: the search says everything is built, the exact model that it cannot"
        )
        return
    counted = Draft(case.shop, case.rooms, sizes_for(case.shop))
    counted.load(best.plan)
    assert (counted.missing, counted.cents) == (0, best.cents), f"shop {seed}: the exact model miscounts"
    assert simple_bound(case.shop) <= best.cents, f"shop {seed}: the bound is above the optimum"
    found = math.inf
    for attempt in range(1, _SEEDS + 1):
        ended = _run(case, attempt, _ROUNDS, best.cents)
        assert ended.draft.missing == 0, f"shop {seed}: pieces are left over"
        found = min(found, ended.draft.cents)
        assert found >= best.cents, f"shop {seed}: {found} is below the optimum of {best.cents}"
        if found == best.cents:
            break
    assert found == best.cents, f"shop {seed}: {found} found, {best.cents} is the optimum"


@pytest.mark.parametrize("seeds", SINGLE, ids=lambda s: f"{s[0]}-{s[-1]}")
def test_the_search_reaches_the_optimum_of_lines_of_one_piece(seeds: range) -> None:
    for seed in seeds:
        _check(seed, random_case(seed, most_lines=8 if seed >= 135 else 7))


@pytest.mark.parametrize("seeds", SEVERAL, ids=lambda s: f"{s[0]}-{s[-1]}")
def test_the_search_reaches_the_optimum_of_lines_of_several_pieces(seeds: range) -> None:
    for seed in seeds:
        _check(seed, _small_of_several(seed))


def _small_of_several(seed: int) -> Case:
    """At most 8 pieces: the next shop of the seed's own row that has no more."""
    for number in range(seed, seed + 100_000, 1000):
        case = random_case(number, most_lines=5, largest=3)
        if case.pieces <= 8:
            return case
    raise AssertionError(f"no shop of at most 8 pieces from seed {seed}")


def simple_bound(shop: Shop) -> float:
    """Cents no plan is below: each line alone, melted where it is cheapest, shipped at once, and one build begun.

    Lines that nobody can build are left out. A build's own cents are rounded once, to at most half a cent less.
    """
    able = buildable(shop)
    total, starts = 0.0, math.inf
    for i in np.flatnonzero(able).tolist():
        line = shop.lines[i]
        melting, shipped = math.inf, math.inf
        for k, made in enumerate(shop.machines):
            rate = shop.rates[k, line["powder"]]
            span = shop.kinds[line["kind"], made["model"]]
            if not rate["open"] or not shop.gates[i, made["site"]]["open"] or span["first"] == span["last"]:
                continue
            starts = min(starts, float(rate["start_cents"]))
            for v in range(int(span["first"]), int(span["last"])):
                variant = shop.variants[v]
                own = variant["exposure_h"] * rate["exposure_cents_h"] + variant["melt_kg"] * rate["melt_cents_kg"]
                melting = min(melting, float(own))
            shipped = min(shipped, shipping(shop, i, int(made["site"]), int(line["quantity"]), 0)[0])
        pieces = int(line["quantity"])
        # A parted line ships lighter parcels, none of them dearer than all pieces in one: only whole lines count.
        total += pieces * (melting - 0.5) + (shipped if pieces == 1 else 0)
    return total + starts if able.any() else 0.0


def test_cp_sat_agrees_with_the_exact_model() -> None:
    """Two exact methods that share only the shop's prices and calendars; refused sets come back to CP-SAT as cuts."""
    agreed = cuts = 0
    for seed in range(3000, 3020):
        case = random_case(seed, most_lines=6)
        if case.pieces > 5:
            continue
        first = _run(case, 1, 0).draft
        at_most = first.cents if first.missing == 0 else NEVER
        mine = ExactModel(case.shop, case.rooms).solve(at_most)
        other = cpsat_optimum(case.shop, case.rooms, at_most)
        assert other.cents == (None if mine is None else mine.cents), f"shop {seed}"
        agreed += 1
        cuts += other.cuts
    assert agreed >= 10 and cuts > 0
