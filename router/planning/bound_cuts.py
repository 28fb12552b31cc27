"""Whole plates: inequalities that hold because a plate is started whole or not at all (BOUND.md, 5).

Shares A_i x_i of lines i on the plates of a group sum to at most its number of plates N, an integer. For any set S of
lines with A(S) = sum of A_i, k = ceil(A(S)) and r = A(S) - (k - 1), every plan obeys the residual capacity inequality

    sum over S of A_i x_i  -  r N  <=  (k - 1) (1 - r)

(Magnanti, Mirchandani & Vachani 1993, *Mathematical Programming* 60). The same holds for the plates that reach
the end of a band of layers and the lines that reach it. The set that is broken most, if any is, is found by
Atamtürk & Rajan's rule (2002, *Mathematical Programming* 92): the lines whose x exceeds the fraction of N.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from router.planning.bound_rows import Floats, Ints, Rows

_LEAST = 1e-3
"""A cut broken by fewer plates than this is not worth a row."""


@dataclass(frozen=True, eq=False)
class Cut:
    """``sum weights * x[rows] - plates * N[group, band] <= constant``."""

    group: int
    band: int
    rows: Ints
    weights: Floats
    plates: float
    constant: float


def residual_cut(group: int, band: int, rows: list[Ints], areas: Floats) -> Cut:
    """The inequality of a set of lines: the rows of each in the group that reach the band, and its least share."""
    total = float(areas.sum())
    # A hair off, so that sums on the edge of a whole plate ask for no plate more.
    whole = max(1, math.ceil(total - 1e-7))
    rest = min(1.0, max(1e-6, total - (whole - 1)))
    return Cut(
        group,
        band,
        np.concatenate(rows),
        np.repeat(areas, [len(r) for r in rows]),
        rest,
        (whole - 1) * (1 - rest),
    )


def separate(rows: Rows, share: Floats, row: Ints, plates: Floats) -> list[Cut]:
    """Cuts that a solution of the programme breaks: ``share`` of each column, its row, and plates of each band."""
    found = []
    used: Floats = np.bincount(row, weights=share, minlength=len(rows.line)).astype(float)
    n_groups, bands = plates.shape
    order = np.argsort(rows.group, kind="stable")
    edges = np.searchsorted(rows.group[order], np.arange(n_groups + 1))
    for group in range(n_groups):
        members = order[edges[group] : edges[group + 1]]
        for band in range(bands):
            if rows.band_cents[group, band] <= 0 or plates[group, band] <= 1e-6:
                continue
            reach = members[rows.full[members, band]]
            cut = _broken(rows, group, band, reach, used, float(plates[group, band]))
            if cut is not None:
                found.append(cut)
    return found


def _broken(rows: Rows, group: int, band: int, reach: Ints, used: Floats, plates: float) -> Cut | None:
    if not len(reach):
        return None
    line, place = np.unique(rows.line[reach], return_inverse=True)
    x = np.bincount(place, weights=used[reach])
    least = np.full(len(line), np.inf)
    np.minimum.at(least, place, rows.share[reach])
    fraction = plates - math.floor(plates)
    inside = x > fraction + 1e-9
    total = float(least[inside].sum())
    whole = math.ceil(plates - 1e-9)
    if not (whole - 1 < total < whole):
        return None
    rest = total - (whole - 1)
    broken = float((least[inside] * np.minimum(1.0, x[inside])).sum()) - rest * plates - (whole - 1) * (1 - rest)
    if broken <= _LEAST * rest:
        return None
    chosen = np.flatnonzero(inside)
    by_line = [reach[place == i] for i in chosen]
    return residual_cut(group, band, by_line, least[chosen])
