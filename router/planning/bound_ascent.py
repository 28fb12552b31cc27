"""Good multipliers for the bound (BOUND.md, 6): how they are found has no part in whether the bound holds."""

from __future__ import annotations

import math
import threading
import time
from dataclasses import dataclass, replace

import numpy as np

from router.planning.bound_cuts import separate
from router.planning.bound_lagrangian import Duals, Priced, priced
from router.planning.bound_programme import Programme, offer_first, offer_near, offer_worth
from router.planning.bound_rows import Floats, Rows

_DONE = 2e-4
"""Rounds end when programme and closed form are this close."""
_ROUNDS = 12
_WIDE_ROUNDS = 2
"""Rounds after which every column a programme could want is offered, not the best of each machine alone."""
_WHOLE_BOOK = 1500
"""Largest book, in lines, whose programme is solved whole."""
_SAMPLE = 300
_ROUGHLY = 5e-3
"""A sample's multipliers need be no better: the sample errs more."""
_SAMPLE_TIME = 0.6
"""Part of the time for the sample's programme; the rest is for the climb."""
_PARTS = (1.0, 0.8, 0.5)
"""Of the sample's prices of hours, tried on the whole book: a sample may ask too much."""
_STEPS = 40
_PATIENCE = 4
"""Steps without a better bound after which the climb aims lower."""
_ABOVE = 0.01
"""How far above the best bound so far, as a part of it, a step aims at first."""


@dataclass(frozen=True)
class Ascent:
    """What the search for multipliers came to."""

    duals: Duals
    priced: Priced
    solver_cents: float
    """Value of the last programme over the columns offered; nan without one."""
    columns: int
    programme_rows: int


def ascend(rows: Rows, seconds: float | None, cancel: threading.Event | None = None) -> Ascent:
    """Good multipliers: by programmes over all lines of a small book, over a sample of a large one."""
    started = time.monotonic()
    if len(rows.lines) <= _WHOLE_BOOK:
        return _grow(rows, seconds, True, cancel)
    found = _grow(sample(rows, _SAMPLE), None if seconds is None else _SAMPLE_TIME * seconds, False, cancel)
    best = Duals.none(rows)
    best_priced = priced(rows, best)
    for part in _PARTS:
        tried = Duals(part * found.duals.hour_cents, (), np.zeros(0))
        at_part = priced(rows, tried)
        if at_part.cents > best_priced.cents:
            best, best_priced = tried, at_part
        elif best.hour_cents.any():
            break
    best, best_priced = _climb(rows, best, best_priced, started, seconds, cancel)
    # The sample's programme is no programme of the book: nothing is claimed for it.
    return Ascent(best, best_priced, math.nan, found.columns, found.programme_rows)


def _grow(rows: Rows, seconds: float | None, whole_plates: bool, cancel: threading.Event | None) -> Ascent:
    """Rounds of: solve, price every row, offer what is cheap, add cuts that are broken."""
    started = time.monotonic()
    best = Duals.none(rows)
    best_priced = priced(rows, best)
    programme = Programme(rows)
    offer_first(programme, rows, best_priced)
    value = before = math.nan
    size = 0
    for number in range(_ROUNDS):
        left = None if seconds is None else seconds - (time.monotonic() - started)
        if (left is not None and left <= 0) or (cancel is not None and cancel.is_set()):
            break
        answer = programme.solve(left)
        if answer is None:
            break
        value, size = answer.cents, len(answer.row)
        now = priced(rows, answer.duals)
        if now.cents > best_priced.cents:
            best, best_priced = answer.duals, now
        close = value - best_priced.cents <= (_DONE if whole_plates else _ROUGHLY) * abs(value)
        fresh = offer_near(programme, rows, now)
        if not close and number < _WIDE_ROUNDS:
            fresh += offer_worth(programme, rows, answer.line_cents)
        cuts = separate(rows, answer.share, answer.row, answer.plates) if whole_plates else []
        programme.cuts.extend(cuts)
        if (close or not fresh) and (not cuts or abs(value - before) <= _DONE * abs(value)):
            break
        before = value
    n_rows = len(rows.lines) + rows.capacity_h.size + rows.band_cents.size + len(programme.cuts)
    return Ascent(best, best_priced, value, size, n_rows)


def sample(rows: Rows, lines: int) -> Rows:
    """A book of few lines that asks of the machines what the whole one does.

    Lines are drawn at even steps of the hours they need, along parameter sets and due dates; each stands for a step of
    hours, all its figures scaled. Only multipliers are taken from it, so nothing has to be proven of it.
    """
    n = len(rows.lines)
    need = np.full(n, np.inf)
    np.minimum.at(need, rows.line, rows.hours)
    need = np.maximum(need, 1e-6)
    along = np.cumsum(need[rows.order])
    drawn = np.searchsorted(along, (np.arange(lines) + 0.5) * along[-1] / lines)
    place, times = np.unique(np.minimum(drawn, n - 1), return_counts=True)
    kept = rows.order[place]
    factor = np.ones(n)
    factor[kept] = times * along[-1] / lines / need[kept]
    number = np.full(n, -1, dtype=np.int64)
    number[kept] = np.arange(len(kept))
    mine = number[rows.line] >= 0
    line = rows.line[mine]
    pairs, pair = np.unique(rows.pair[mine], return_inverse=True)
    of_pair = np.ones(len(rows.delivery_cents))
    of_pair[rows.pair] = factor[rows.line]
    return replace(
        rows,
        lines=[rows.lines[i] for i in kept],
        line=number[line],
        klass=rows.klass[mine],
        group=rows.group[mine],
        pair=pair,
        first=rows.first[mine],
        layers=rows.layers[mine],
        fixed_cents=rows.fixed_cents[mine] * factor[line],
        own_cents=rows.own_cents[mine] * factor[line],
        lots_cents=rows.lots_cents[mine] * factor[line],
        share=rows.share[mine] * factor[line],
        hours=rows.hours[mine] * factor[line],
        delivery_cents=rows.delivery_cents[pairs] * of_pair[pairs, None],
        freight_cents=rows.freight_cents[pairs] * of_pair[pairs],
        order=np.arange(len(kept)),
        reach=rows.reach[mine] * factor[line, None],
        full=rows.full[mine],
    )


def _climb(
    rows: Rows, duals: Duals, start: Priced, started: float, seconds: float | None, cancel: threading.Event | None
) -> tuple[Duals, Priced]:
    """Steps along the deflected subgradient: hours that are short become dearer, hours left over cheaper.

    Step lengths after Polyak (1969), *USSR Computational Mathematics* 9, towards a value a little above the best.
    """
    best, best_priced = duals, start
    at, now = duals, start
    capacity = np.maximum(rows.capacity_h, 1e-9)
    above, failed = _ABOVE, 0
    direction: Floats | None = None
    for _ in range(_STEPS):
        if (seconds is not None and time.monotonic() - started > seconds) or (cancel is not None and cancel.is_set()):
            break
        multipliers = at.hour_cents[:, :-1] - at.hour_cents[:, 1:]
        over = np.clip(_used_hours(rows, now) / capacity - 1, -1.0, 3.0)
        over[(rows.capacity_h <= 0) | ((multipliers <= 0) & (over < 0))] = 0.0
        direction = over if direction is None else 0.5 * (over + direction)
        length = float((direction**2).sum())
        if length <= 0:
            break
        ahead = above * abs(best_priced.cents) + best_priced.cents - now.cents
        moved = np.maximum(0.0, multipliers + ahead / length * direction / capacity)
        hours = np.zeros_like(at.hour_cents)
        hours[:, :-1] = np.cumsum(moved[:, ::-1], axis=1)[:, ::-1]
        at = Duals(hours, at.cuts, at.cut_cents)
        now = priced(rows, at)
        if now.cents > best_priced.cents:
            best, best_priced, failed = at, now, 0
            continue
        failed += 1
        if failed >= _PATIENCE:
            above, failed, direction = above / 2, 0, None
            at, now = best, best_priced
    return best, best_priced


def _used_hours(rows: Rows, now: Priced) -> Floats:
    """(classes, buckets - 1): hours of the rows chosen, up to the end of each bucket."""
    order = np.lexsort((now.row_cents, rows.line))
    first = np.ones(len(order), dtype=bool)
    first[1:] = rows.line[order[1:]] != rows.line[order[:-1]]
    row = order[first]
    used = np.zeros((rows.capacity_h.shape[0], rows.capacity_h.shape[1] + 1))
    np.add.at(used, (rows.klass[row], now.row_bucket[row]), rows.hours[row])
    return np.cumsum(used, axis=1)[:, :-1]
