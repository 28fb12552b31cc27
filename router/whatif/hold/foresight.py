"""The best one could have earned knowing every arrival: what no policy can beat, as far as the search finds it."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass

import numpy as np

from router.nesting.rect_kernels import Floats, Ints, State, compiled, draw
from router.whatif.hold.case import ARRIVAL, HoldCase, part_tables, term_row
from router.whatif.hold.kernels import HORIZON, build_end, build_profit, never_built, stands

_ROUNDS = 20_000
_TRIES = 6
"""Attempts at placing a set in the search."""


@dataclass(frozen=True, slots=True)
class Foreseen:
    """Builds in order as (start hour, parts by index) and their profit. A lower limit of the true optimum."""

    profit: float
    builds: tuple[tuple[float, tuple[int, ...]], ...]


@compiled
def count_up(members: Ints, counts: Ints, builds: int, rows: Floats, terms: Floats, starts: Floats) -> float:
    """Profit of builds done one after the other, each as soon as the machine and its parts are there."""
    free_h, total, n = 0.0, 0.0, len(rows)
    done = np.zeros(n, np.bool_)
    for b in range(builds):
        ready = free_h
        for k in range(counts[b]):
            ready = max(ready, rows[members[b, k], ARRIVAL])
        start = float(math.ceil(ready - 1e-9))
        starts[b] = start
        if start >= terms[HORIZON]:
            break
        total += build_profit(members[b], counts[b], start, rows, terms)
        free_h = build_end(members[b], counts[b], start, rows, terms)
        for k in range(counts[b]):
            done[members[b, k]] = True
    for i in range(n):
        if not done[i]:
            total += never_built(i, rows, terms)
    return total


@compiled
def _take(members: Ints, counts: Ints, builds: int, i: int) -> int:
    """Take part i out wherever it is; returns the number of builds left."""
    for b in range(builds):
        for k in range(counts[b]):
            if members[b, k] == i:
                members[b, k] = members[b, counts[b] - 1]
                counts[b] -= 1
                if counts[b] == 0:
                    for c in range(b, builds - 1):
                        members[c] = members[c + 1]
                        counts[c] = counts[c + 1]
                    return builds - 1
                return builds
    return builds


@compiled
def _open(members: Ints, counts: Ints, builds: int, place: int, i: int) -> int:
    """A new build of part i alone at a place in the order."""
    for c in range(builds, place, -1):
        members[c] = members[c - 1]
        counts[c] = counts[c - 1]
    members[place, 0], counts[place] = i, 1
    return builds + 1


@compiled
def anneal(
    rows: Floats,
    sizes: Floats,
    terms: Floats,
    members: Ints,
    counts: Ints,
    builds: int,
    rounds: int,
    heat: float,
    state: State,
) -> tuple[float, int]:
    """Move parts between builds, improve ``members``/``counts`` in place; returns (profit, builds) of the best seen."""
    n = len(rows)
    starts = np.empty(n + 2)
    now = count_up(members, counts, builds, rows, terms, starts)
    best, best_builds = now, builds
    best_members, best_counts = members.copy(), counts.copy()
    old_members, old_counts = members.copy(), counts.copy()
    for turn in range(rounds):
        old_builds = builds
        old_members[:builds] = members[:builds]
        old_counts[:builds] = counts[:builds]
        kind = draw(state)
        good = True
        if kind < 0.6 or builds < 2:
            i = int(draw(state) * n)
            builds = _take(members, counts, builds, i)
            where = int(draw(state) * (2 * builds + 2))
            if where < builds:
                members[where, counts[where]] = i
                counts[where] += 1
                good = stands(members[where], counts[where], sizes, terms, _TRIES, state)
            elif where <= 2 * builds:
                builds = _open(members, counts, builds, where - builds, i)
        elif kind < 0.85:
            a, b = int(draw(state) * builds), int(draw(state) * builds)
            j, k = int(draw(state) * counts[a]), int(draw(state) * counts[b])
            members[a, j], members[b, k] = members[b, k], members[a, j]
            good = a == b or (
                stands(members[a], counts[a], sizes, terms, _TRIES, state)
                and stands(members[b], counts[b], sizes, terms, _TRIES, state)
            )
        elif kind < 0.95:
            a = int(draw(state) * (builds - 1))
            b = a + 1
            if draw(state) < 0.5:
                for k in range(counts[b]):
                    members[a, counts[a] + k] = members[b, k]
                counts[a] += counts[b]
                for c in range(b, builds - 1):
                    members[c] = members[c + 1]
                    counts[c] = counts[c + 1]
                builds -= 1
                good = stands(members[a], counts[a], sizes, terms, _TRIES, state)
            else:
                for k in range(max(counts[a], counts[b])):
                    members[a, k], members[b, k] = members[b, k], members[a, k]
                counts[a], counts[b] = counts[b], counts[a]
        else:
            a = int(draw(state) * builds)
            if counts[a] > 1:
                builds = _open(members, counts, builds, a + 1, members[a, counts[a] - 1])
                counts[a] -= 1
                while counts[a] > 1 and draw(state) < 0.5:
                    members[a + 1, counts[a + 1]] = members[a, counts[a] - 1]
                    counts[a + 1] += 1
                    counts[a] -= 1
        value = count_up(members, counts, builds, rows, terms, starts) if good else -1e300
        warm = heat * (1.0 - turn / rounds) + 1e-9
        if good and (value >= now or draw(state) < math.exp((value - now) / warm)):
            now = value
            if now > best + 1e-9:
                best, best_builds = now, builds
                best_members[:builds] = members[:builds]
                best_counts[:builds] = counts[:builds]
        else:
            builds = old_builds
            members[:builds] = old_members[:builds]
            counts[:builds] = old_counts[:builds]
    members[:best_builds] = best_members[:best_builds]
    counts[:best_builds] = best_counts[:best_builds]
    return best, best_builds


def foreseen_best(case: HoldCase, seconds: float, seed: int) -> Foreseen:
    """Search for the best plan with the future known, restarting from nothing and from the best, for ``seconds``."""
    rows, sizes = part_tables(case.parts, case.terms)
    terms = term_row(case)
    n = len(case.parts)
    state = np.array([2 * seed + 88172645463325252], np.uint64)
    until = time.monotonic() + seconds
    best, kept = -math.inf, (np.zeros((n + 2, n + 2), np.int64), np.zeros(n + 2, np.int64), 0)
    run = 0
    while run < 2 or time.monotonic() < until:
        members, counts, builds = (
            (kept[0].copy(), kept[1].copy(), kept[2])
            if run % 3 == 2
            else (np.zeros((n + 2, n + 2), np.int64), np.zeros(n + 2, np.int64), 0)
        )
        heat = 60.0 if run % 3 == 2 else 200.0
        profit, builds = anneal(rows, sizes, terms, members, counts, builds, _ROUNDS * (1 + run // 6), heat, state)
        if profit > best + 1e-9:
            best, kept = profit, (members, counts, builds)
        run += 1
    starts = np.empty(n + 2)
    profit = count_up(kept[0], kept[1], kept[2], rows, terms, starts)
    in_order = tuple(
        (float(starts[b]), tuple(int(i) for i in kept[0][b, : kept[1][b]]))
        for b in range(kept[2])
        if starts[b] < case.horizon_h
    )
    return Foreseen(float(profit), in_order)
