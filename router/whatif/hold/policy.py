"""The policy: at every hour with a free machine, start which of the waiting parts, or wait?

Each answer is tried on the same sampled futures of the arrival law, lived on with a simple rule, and the best mean wins
(a rollout: Bertsekas, Tsitsiklis & Wu 1997, *Journal of Heuristics* 3; from memory). The rule itself is chosen anew at
each decision, on samples.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from router.nesting.rect_kernels import Floats, Ints, State, compiled
from router.whatif.hold.case import ARRIVAL, DUE, RECOAT_H, HoldCase, part_tables, term_row
from router.whatif.hold.kernels import (
    HARD_TRIES,
    HORIZON,
    PLATE_D,
    PLATE_W,
    build_end,
    build_profit,
    choose_build,
    earn_on,
    never_built,
    stands,
)
from router.whatif.hold.law import ArrivalLaw

_FILLS = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7)
_SLACKS = (-10.0, -5.0, 0.0, 5.0)
_WHOLE_SUBSETS = 7
"""Up to so many waiting parts, every set of them that stands is an answer; above, a choice of sets."""


@dataclass(frozen=True, slots=True)
class HoldParams:
    """How much is sampled at a decision. More samples cost time in proportion."""

    seed: int = 1
    rule_samples: int = 64
    """Futures on which rules are compared."""
    first_samples: int = 48
    """Futures on which every answer is tried."""
    last_samples: int = 400
    """Futures on which the few best answers are tried."""
    finalists: int = 5
    rules_kept: int = 3
    """An answer is worth the best of so many rules' means."""


@dataclass(frozen=True, slots=True)
class Lived:
    """What a policy did: its profit, builds as (start hour, parts by index), and hours of waiting with parts there."""

    profit: float
    builds: tuple[tuple[float, tuple[int, ...]], ...]
    held_h: int
    slowest_s: float
    """Longest time a decision took."""


@dataclass
class _Moment:
    """What the machine sees: the hour, the waiting parts, and the tables of the parts so far."""

    now_h: float
    waiting: Ints
    rows: Floats
    sizes: Floats
    terms: Floats


Decide = Callable[[_Moment], Ints]
"""Parts to start now; empty to wait an hour."""


@compiled
def mean_on(
    free_h: float,
    waiting: Ints,
    count: int,
    known: int,
    pool_rows: Floats,
    pool_sizes: Floats,
    begins: Ints,
    first: int,
    last: int,
    terms: Floats,
    fill: float,
    slack: float,
    until_h: float,
) -> float:
    """Mean of ``earn_on`` over the sampled futures first..last.

    ``pool_rows`` holds the known parts first, then all sampled parts; future s is ``begins[s]:begins[s + 1]``.
    """
    total = 0.0
    for s in range(first, last):
        a, b = begins[s], begins[s + 1]
        rows = np.empty((known + b - a, 5))
        sizes = np.empty((known + b - a, 2))
        rows[:known] = pool_rows[:known]
        sizes[:known] = pool_sizes[:known]
        rows[known:] = pool_rows[a:b]
        sizes[known:] = pool_sizes[a:b]
        following = np.arange(known, known + b - a)
        total += earn_on(free_h, waiting, count, following, b - a, rows, sizes, terms, fill, slack, until_h)
    return total / (last - first)


def live_through(case: HoldCase, law: ArrivalLaw, params: HoldParams) -> Lived:
    """Live through a case, hour by hour, knowing the law and what has arrived, never what will."""
    rng = np.random.default_rng(params.seed)

    def decide(moment: _Moment) -> Ints:
        return _decide(moment, case, law, params, rng)

    return _live(case, decide)


def fixed_rule(case: HoldCase, fill: float, slack_h: float) -> Lived:
    """The same case under one rule: start at that fill, or when a part has no more than ``slack_h`` hours to spare."""
    return _live(case, lambda moment: _by_rule(moment, fill, slack_h))


def _live(case: HoldCase, decide: Decide) -> Lived:
    rows, sizes = part_tables(case.parts, case.terms)
    terms = term_row(case)
    hour, held, profit = 0.0, 0, 0.0
    waiting: list[int] = []
    builds: list[tuple[float, tuple[int, ...]]] = []
    coming, slowest_s = 0, 0.0
    while hour < case.horizon_h:
        while coming < len(rows) and rows[coming, ARRIVAL] <= hour + 1e-9:
            waiting.append(coming)
            coming += 1
        chosen = np.empty(0, np.int64)
        if waiting:
            # The decision sees copies of what has arrived, nothing of what will.
            seen = _Moment(hour, np.array(waiting, np.int64), rows[:coming].copy(), sizes[:coming].copy(), terms)
            began = time.perf_counter()
            chosen = decide(seen)
            slowest_s = max(slowest_s, time.perf_counter() - began)
        if len(chosen) == 0:
            held += bool(waiting)
            hour += 1
            continue
        _refuse_impossible(chosen, waiting, sizes, terms)
        profit += build_profit(chosen, len(chosen), hour, rows, terms)
        builds.append((hour, tuple(int(i) for i in chosen)))
        waiting = [i for i in waiting if i not in set(chosen.tolist())]
        hour = math.ceil(build_end(chosen, len(chosen), hour, rows, terms) - 1e-9)
    left = [*waiting, *range(coming, len(rows))]
    profit += sum(never_built(i, rows, terms) for i in left)
    return Lived(float(profit), tuple(builds), held, slowest_s)


def _refuse_impossible(chosen: Ints, waiting: Sequence[int], sizes: Floats, terms: Floats) -> None:
    state = np.array([7], np.uint64)
    if not set(chosen.tolist()) <= set(waiting) or not stands(
        chosen, len(chosen), sizes, terms, 10 * HARD_TRIES, state
    ):
        raise AssertionError(f"parts {chosen.tolist()} cannot be started together")


def _by_rule(moment: _Moment, fill: float, slack_h: float) -> Ints:
    n = len(moment.waiting)
    chosen = np.empty(n, np.int64)
    m = choose_build(moment.waiting, n, moment.sizes, moment.rows, moment.terms, chosen)
    chosen = chosen[:m]
    plate = moment.terms[PLATE_W] * moment.terms[PLATE_D]
    area = float(np.prod(moment.sizes[chosen], axis=1).sum())
    end = build_end(chosen, m, moment.now_h, moment.rows, moment.terms)
    spare = float((moment.rows[chosen, DUE] - end).min())
    ready = m < n or area >= fill * plate or spare <= slack_h or moment.now_h + 1 >= moment.terms[HORIZON]
    return chosen if ready and _pays(chosen, moment) else chosen[:0]


def _pays(chosen: Ints, moment: _Moment) -> bool:
    left = sum(never_built(int(i), moment.rows, moment.terms) for i in chosen)
    return bool(build_profit(chosen, len(chosen), moment.now_h, moment.rows, moment.terms) > left)


def _decide(moment: _Moment, case: HoldCase, law: ArrivalLaw, params: HoldParams, rng: np.random.Generator) -> Ints:
    known = len(moment.rows)
    samples = max(params.rule_samples, params.first_samples, params.last_samples)
    draws = [law.draw(moment.now_h, case.horizon_h, case.terms, rng) for _ in range(samples)]
    pool_rows = np.concatenate([moment.rows, *(rows for rows, _ in draws)])
    pool_sizes = np.concatenate([moment.sizes, *(sizes for _, sizes in draws)])
    begins = known + np.concatenate([[0], np.cumsum([len(rows) for rows, _ in draws])]).astype(np.int64)

    def mean(free_h: float, waiting: Ints, last: int, rule: tuple[float, float], until_h: float) -> float:
        return mean_on(
            free_h, waiting, len(waiting), known, pool_rows, pool_sizes, begins, 0, last, moment.terms, *rule, until_h
        )

    ranked = sorted(
        (
            (mean(moment.now_h, moment.waiting, params.rule_samples, (f, s), 0.0), (f, s))
            for f in _FILLS
            for s in _SLACKS
        ),
        reverse=True,
    )
    rules = [rule for _, rule in ranked[: params.rules_kept]]

    def worth(answer: Ints, last: int) -> float:
        if len(answer) == 0:
            return max(mean(moment.now_h, moment.waiting, last, rule, moment.now_h + 1) for rule in rules)
        now = build_profit(answer, len(answer), moment.now_h, moment.rows, moment.terms)
        end = build_end(answer, len(answer), moment.now_h, moment.rows, moment.terms)
        rest = np.setdiff1d(moment.waiting, answer)
        return now + max(mean(end, rest, last, rule, 0.0) for rule in rules)

    answers = _answers(moment)
    scored = sorted(((worth(a, params.first_samples), n) for n, a in enumerate(answers)), reverse=True)
    finalists = [answers[n] for _, n in scored[: params.finalists]]
    return max(finalists, key=lambda a: worth(a, params.last_samples))


def _answers(moment: _Moment) -> list[Ints]:
    """Sets that stand on the plate, and the empty one: wait."""
    waiting, n = moment.waiting, len(moment.waiting)
    sets: set[tuple[int, ...]] = set()
    if n <= _WHOLE_SUBSETS:
        sets.update(tuple(int(waiting[k]) for k in range(n) if bits >> k & 1) for bits in range(1, 1 << n))
    else:
        by_due = sorted(waiting.tolist(), key=lambda i: moment.rows[i, DUE])
        by_height = sorted(waiting.tolist(), key=lambda i: moment.rows[i, RECOAT_H])
        for order in (by_due, by_height, by_due[::-1], by_height[::-1]):
            for m in range(1, n + 1):
                sets.add(tuple(sorted(_first_fit(np.array(order[:m]), moment))))
        whole = _first_fit(np.array(by_due), moment)
        for gone in whole:
            sets.add(tuple(sorted(set(whole) - {gone})))
            for other in set(waiting.tolist()) - set(whole):
                sets.add(tuple(sorted({*whole, other} - {gone})))
    sets.discard(())
    state = np.array([11], np.uint64)
    kept = [np.array(s, np.int64) for s in sorted(sets)]
    kept = [a for a in kept if stands(a, len(a), moment.sizes, moment.terms, HARD_TRIES, state)]
    return [np.empty(0, np.int64), *kept]


def _first_fit(order: Ints, moment: _Moment) -> list[int]:
    """Parts of the order, one after the other, as long as they stand together."""
    kept: list[int] = []
    state: State = np.array([13], np.uint64)
    for i in order.tolist():
        trial = np.array([*kept, i], np.int64)
        if stands(trial, len(trial), moment.sizes, moment.terms, HARD_TRIES, state):
            kept.append(i)
    return kept
