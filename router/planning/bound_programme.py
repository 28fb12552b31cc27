"""The linear programme that finds multipliers for the bound, over a few columns at a time (BOUND.md, 6)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import coo_array, csr_array

from router.planning.bound_cuts import Cut
from router.planning.bound_lagrangian import Duals, Priced, safe_duals
from router.planning.bound_rows import Floats, Ints, Rows

_NEAR = 0.02
"""Columns within this part of a line's cost above its cheapest are offered to the programme."""
_SPARSE = 6
"""Every so manyeth bucket is offered from the start, however late."""


@dataclass(frozen=True)
class Answer:
    """An optimum of the programme."""

    cents: float
    duals: Duals
    line_cents: Floats
    """What the programme would give for having a line built."""
    share: Floats
    """Of each column."""
    row: Ints
    """Row of each column."""
    plates: Floats
    """(groups, 1 + BANDS)"""


class Programme:
    """The linear programme over columns (row, bucket); lines are built once."""

    def __init__(self, rows: Rows) -> None:
        self.rows = rows
        self.key: set[int] = set()
        self.row: list[Ints] = []
        self.bucket: list[Ints] = []
        self.cuts: list[Cut] = []

    def offer(self, row: Ints, bucket: Ints) -> int:
        """Add columns that are not there yet; returns how many were new."""
        keys = row * self.rows.delivery_cents.shape[1] + bucket
        fresh = np.array([k not in self.key for k in keys.tolist()], dtype=bool)
        self.key.update(keys[fresh].tolist())
        self.row.append(row[fresh])
        self.bucket.append(bucket[fresh])
        return int(fresh.sum())

    def solve(self, seconds: float | None) -> Answer | None:
        """The optimum over the columns offered; None when it is not found in time."""
        rows = self.rows
        row, bucket = np.concatenate(self.row), np.concatenate(self.bucket)
        n, (classes, limits) = len(row), rows.capacity_h.shape
        groups, bands = rows.band_cents.shape
        n_lines, n_cuts = len(rows.lines), len(self.cuts)
        # Unknowns: columns, plates of each group and band, hours used until each bucket's end.
        plates_at, used_at = n, n + groups * bands
        cost = np.concatenate(
            [
                rows.fixed_cents[row] + rows.delivery_cents[rows.pair[row], bucket],
                rows.band_cents.ravel(),
                np.zeros(classes * limits),
            ]
        )
        r_parts, c_parts, v_parts = [], [], []

        def put(r: Ints, c: Ints, v: Floats) -> None:
            r_parts.append(r)
            c_parts.append(c)
            v_parts.append(v)

        index = np.arange(n)
        # Hours: load of a bucket + used before - used <= 0.
        early = bucket < limits
        put(rows.klass[row[early]] * limits + bucket[early], index[early], rows.hours[row[early]])
        cell = np.arange(classes * limits)
        put(cell, used_at + cell, -np.ones(len(cell)))
        later = cell[cell % limits > 0]
        put(later, used_at + later - 1, np.ones(len(later)))
        # Shares: plates of a band hold what reaches it.
        at = classes * limits
        shared = rows.group[row] >= 0
        for h in range(bands):
            put(
                at + rows.group[row[shared]] * bands + h,
                index[shared],
                rows.reach[row[shared], h],
            )
        band = np.arange(groups * bands)
        put(at + band, plates_at + band, -np.ones(len(band)))
        at += groups * bands
        right = np.zeros(at + n_cuts)
        columns_of: csr_array | None = None
        if n_cuts:
            columns_of = csr_array(coo_array((np.ones(n), (row, index)), shape=(len(rows.line), n)))
            taken = _cut_matrix(self.cuts, len(rows.line)) @ columns_of
            held = taken.tocoo()
            put(at + held.coords[0], held.coords[1], held.data)
            put(
                at + np.arange(n_cuts),
                plates_at + np.array([c.group * bands + c.band for c in self.cuts]),
                -np.array([c.plates for c in self.cuts]),
            )
            right[at:] = [c.constant for c in self.cuts]
        total = n + groups * bands + classes * limits
        upper = coo_array(
            (np.concatenate(v_parts), (np.concatenate(r_parts), np.concatenate(c_parts))), shape=(at + n_cuts, total)
        ).tocsr()
        equal = coo_array((np.ones(n), (rows.line[row], index)), shape=(n_lines, total)).tocsr()
        high = np.full(total, np.inf)
        high[used_at:] = rows.capacity_h.ravel()
        solved = linprog(
            cost / 100,
            A_ub=upper,
            b_ub=right,
            A_eq=equal,
            b_eq=np.ones(n_lines),
            bounds=np.column_stack([np.zeros(total), high]),
            method="highs",
            options={} if seconds is None else {"time_limit": max(0.1, seconds)},
        )
        if solved.status != 0:
            return None
        marginal = -100 * np.asarray(solved.ineqlin.marginals)
        hour = np.zeros((classes, limits + 1))
        hour[:, :-1] = marginal[: classes * limits].reshape(classes, limits)
        duals = safe_duals(rows, hour, tuple(self.cuts), marginal[at:])
        plates = np.asarray(solved.x[plates_at:used_at]).reshape(groups, bands)
        worth = 100 * np.asarray(solved.eqlin.marginals)
        return Answer(100 * float(solved.fun), duals, worth, np.asarray(solved.x[:n]), row, plates)


def _cut_matrix(cuts: list[Cut], n_rows: int) -> csr_array:
    data = np.concatenate([c.weights for c in cuts])
    col = np.concatenate([c.rows for c in cuts])
    row = np.repeat(np.arange(len(cuts)), [len(c.rows) for c in cuts])
    return csr_array(coo_array((data, (row, col)), shape=(len(cuts), n_rows)))


def offer_worth(programme: Programme, rows: Rows, worth: Floats) -> int:
    """Columns that cost no more than the programme would give for the line: no other can improve it."""
    fresh = 0
    shared = rows.group >= 0
    base = rows.fixed_cents.copy()
    base[shared] += np.einsum("rh,rh->r", rows.reach[shared], rows.band_cents[rows.group[shared]])
    buckets = rows.delivery_cents.shape[1]
    for b in range(buckets):
        here = rows.delivery_cents[rows.pair, b]
        dearer = rows.delivery_cents[rows.pair, b + 1] > here + 1e-6 if b + 1 < buckets else np.ones(len(base), bool)
        good = (rows.first <= b) & dearer & (base + here <= worth[rows.line])
        fresh += programme.offer(np.flatnonzero(good), np.full(int(good.sum()), b))
    return fresh


def offer_first(programme: Programme, rows: Rows, now: Priced) -> None:
    """For each line on each class its cheapest row, in its cheapest bucket and the next dearer ones."""
    row = _cheapest_of_pairs(rows, now)
    keep = now.row_cents[row] <= now.line_cents[rows.line[row]] * 1.15
    row = row[keep]
    delivery = rows.delivery_cents[rows.pair[row]]
    least = delivery[np.arange(len(row)), now.row_bucket[row]]
    within = 0.10 * now.line_cents[rows.line[row]]
    buckets = delivery.shape[1]
    for b in range(buckets):
        dearer = delivery[:, b + 1] > delivery[:, b] + 1e-6 if b + 1 < buckets else np.ones(len(row), dtype=bool)
        good = np.isfinite(delivery[:, b]) & (rows.first[row] <= b) & dearer
        if b % _SPARSE:
            good &= delivery[:, b] <= least + within
        programme.offer(row[good], np.full(int(good.sum()), b))
    # Every line always has its cheapest column, and one at the end of time, so that the programme has a solution.
    programme.offer(row, now.row_bucket[row])
    last = buckets - 1 - np.argmax(np.isfinite(delivery[:, ::-1]), axis=1)
    programme.offer(row, last)


def offer_near(programme: Programme, rows: Rows, now: Priced) -> int:
    row = _cheapest_of_pairs(rows, now)
    near = now.row_cents[row] <= now.line_cents[rows.line[row]] + _NEAR * np.abs(now.line_cents[rows.line[row]])
    row = row[near]
    return programme.offer(row, now.row_bucket[row])


def _cheapest_of_pairs(rows: Rows, now: Priced) -> Ints:
    """The cheapest row of each line on each class."""
    where = rows.line * (int(rows.klass.max()) + 1) + rows.klass
    order = np.lexsort((now.row_cents, where))
    first = np.ones(len(order), dtype=bool)
    first[1:] = where[order[1:]] != where[order[:-1]]
    row: Ints = order[first]
    return row[np.isfinite(now.row_cents[row])]
