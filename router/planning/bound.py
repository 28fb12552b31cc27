"""A landed cost that no plan of the scenario can be below. The proof, inequality by inequality, is in BOUND.md."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from router.planning.bound_ascent import ascend
from router.planning.bound_lagrangian import Duals, priced
from router.planning.bound_rows import Rows, build_rows
from router.planning.problem import Problem

_SAFETY = 1e-9
"""Part of the bound given away for sums in floating point: a thousand times what they can err."""


@dataclass(frozen=True, slots=True)
class Shares:
    """What the bound is made of, in cents, as every line is cheapest built while machines have hours without end.

    The parts sum to the bound but for rounding down.
    """

    own: int
    """Exposure and powder of the pieces."""
    shared: int
    """Starts, recoating and steps of plates."""
    lots: int
    freight: int
    """Freight and its carbon."""
    lateness: int
    capacity: int
    """What is added by the hours the machines have, and by plates being whole."""


@dataclass(frozen=True, slots=True)
class Bound:
    """The bound and what it was made from."""

    cents: int
    columns: int
    rows: int
    solver_cents: float
    """What the solver claims for its programme; nan when it was not solved."""
    shares: Shares


def lower_bound(
    problem: Problem, lines: Collection[int], seconds: float | None = None, cancel: threading.Event | None = None
) -> Bound | None:
    """A proven lower bound on the landed cost of every plan that builds these lines; None for none of them.

    ``seconds`` limits the search for multipliers, and ``cancel`` ends it at the next round; without any the bound is
    the one that ignores capacity.
    """
    started = time.monotonic()
    rows = build_rows(problem, lines)
    if rows is None:
        return None
    left = None if seconds is None else max(1.0, seconds - (time.monotonic() - started))
    found = ascend(rows, left, cancel)
    value = found.priced.cents
    cents = math.floor(value - _SAFETY * (abs(value) + float(np.abs(found.priced.line_cents).sum())))
    return Bound(cents, found.columns, found.programme_rows, found.solver_cents, _shares(rows, value))


def _shares(rows: Rows, value: float) -> Shares:
    """Account of the cheapest rows at no multipliers, and what multipliers add to them."""
    free = priced(rows, Duals.none(rows))
    order = np.lexsort((free.row_cents, rows.line))
    first = np.ones(len(order), dtype=bool)
    first[1:] = rows.line[order[1:]] != rows.line[order[:-1]]
    row = order[first]
    own = float(rows.own_cents[row].sum())
    lots = float(rows.lots_cents[row].sum())
    freight = float(rows.freight_cents[rows.pair[row]].sum())
    delivered = float(rows.delivery_cents[rows.pair[row], free.row_bucket[row]].sum())
    shared = free.cents - own - lots - delivered
    parts = (own, shared, lots, freight, delivered - freight, value - free.cents)
    return Shares(*(round(part) for part in parts))
