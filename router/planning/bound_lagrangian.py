"""The Lagrangian of the bound's programme in closed form (BOUND.md, 6): any multipliers >= 0 give a valid bound."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from router.planning.bound_cuts import Cut
from router.planning.bound_rows import Floats, Ints, Rows

_CHUNK = 40_000
"""Rows priced at once: bounds the memory, nothing else."""


@dataclass(frozen=True)
class Duals:
    """Multipliers: cents an hour of each class until each bucket's end; cents of each cut."""

    hour_cents: Floats
    """(classes, buckets): weight an hour in a bucket bears; falls with the bucket and is 0 in the last."""
    cuts: tuple[Cut, ...]
    cut_cents: Floats

    @staticmethod
    def none(rows: Rows) -> Duals:
        classes, buckets = rows.capacity_h.shape
        return Duals(np.zeros((classes, buckets + 1)), (), np.zeros(0))


@dataclass(frozen=True)
class Priced:
    """The Lagrangian at some multipliers."""

    cents: float
    row_cents: Floats
    """Reduced cost of each row at its best bucket."""
    row_bucket: Ints
    line_cents: Floats
    plate_cents: Floats
    """(groups, 1 + BANDS): what a whole plate of the group charges by share in each band."""


def priced(rows: Rows, duals: Duals) -> Priced:
    """The bound at these multipliers."""
    shared = rows.group >= 0
    plate = rows.band_cents.copy()
    constant = 0.0
    base = rows.fixed_cents.copy()
    for cut, cents in zip(duals.cuts, duals.cut_cents, strict=True):
        plate[cut.group, cut.band] -= cents * cut.plates
        constant -= cents * cut.constant
        np.add.at(base, cut.rows, cents * cut.weights)
    if plate.size and float(plate.min()) < -1e-6 * float(rows.band_cents.max()):
        raise ValueError("the cuts of a band charge more than its plate costs")
    plate = np.maximum(plate, 0.0)
    base[shared] += np.einsum("rh,rh->r", rows.reach[shared], plate[rows.group[shared]])
    row_cents, row_bucket = _best_bucket(rows, base, duals.hour_cents)
    line_cents = np.full(len(rows.lines), np.inf)
    np.minimum.at(line_cents, rows.line, row_cents)
    # hour_cents is the sum of the multipliers from a bucket on.
    multipliers = duals.hour_cents[:, :-1] - duals.hour_cents[:, 1:]
    constant -= float(np.sum(multipliers * rows.capacity_h))
    return Priced(math.fsum(line_cents) + constant, row_cents, row_bucket, line_cents, plate)


def _best_bucket(rows: Rows, base: Floats, hour_cents: Floats) -> tuple[Floats, Ints]:
    cents = np.empty(len(base))
    bucket = np.empty(len(base), dtype=np.int64)
    for at in range(0, len(base), _CHUNK):
        part = slice(at, at + _CHUNK)
        table = rows.delivery_cents[rows.pair[part]] + rows.hours[part, None] * hour_cents[rows.klass[part]]
        table[np.arange(table.shape[1]) < rows.first[part, None]] = np.inf
        # Of equal buckets the latest asks least of the machines.
        bucket[part] = table.shape[1] - 1 - np.argmin(table[:, ::-1], axis=1)
        cents[part] = table[np.arange(len(table)), bucket[part]] + base[part]
    return cents, bucket


def safe_duals(rows: Rows, hour_cents: Floats, cuts: tuple[Cut, ...], cut_cents: Floats) -> Duals:
    """Multipliers made valid: none negative, none growing with the bucket, no band charged beyond its plate."""
    hours = np.maximum(0.0, hour_cents)
    hours[:, -1] = 0.0
    hours = np.maximum.accumulate(hours[:, ::-1], axis=1)[:, ::-1]
    cents = np.maximum(0.0, cut_cents)
    charged = np.zeros_like(rows.band_cents)
    for cut, value in zip(cuts, cents, strict=True):
        charged[cut.group, cut.band] += value * cut.plates
    scale = np.minimum(1.0, rows.band_cents / np.maximum(charged, 1e-12))
    cents = np.array([v * scale[c.group, c.band] for c, v in zip(cuts, cents, strict=True)])
    used = cents > 0
    return Duals(hours, tuple(c for c, u in zip(cuts, used, strict=True) if u), cents[used])
