"""Compiled kernels of the contact search: filling one rectangular plate with pieces in exact contact, no spacing.

A *variant* is one rotation of one outline. ``places`` (variants, variants, 2): first ring, one past the last, of the
no-fit region of the second moving round the first; ``rings`` rows: first row in ``pool``, one past the last; ``pool``
rows: vertex x, y, unit outward normal a, b and c of the edge that begins there (a * x + b * y = c on it). Several rings
of one pair are those of convex parts: the pair overlaps inside any of them.
"""

from __future__ import annotations

import numpy as np

from router.nesting.lattice_kernels import Floats, Longs
from router.nesting.rect_kernels import State, compiled, draw


@compiled
def _apart(pool: Floats, rings: Longs, first: int, last: int, dx: float, dy: float, touch: float) -> bool:
    """Whether a displacement lies in no ring by more than ``touch``."""
    for r in range(first, last):
        free = False
        for k in range(rings[r, 0], rings[r, 1]):
            if pool[k, 2] * dx + pool[k, 3] * dy - pool[k, 4] >= -touch:
                free = True
                break
        if not free:
            return False
    return True


@compiled
def _contact(
    edges: Floats,
    first: int,
    last: int,
    x: float,
    y: float,
    width: float,
    height: float,
    count: int,
    stand: Floats,
    spans: Longs,
    touch: float,
) -> float:
    """Length of the outline that lies on the plate's rim or on edges of pieces standing."""
    total = 0.0
    for e in range(first, last):
        ax, ay, bx, by = edges[e, 0] + x, edges[e, 1] + y, edges[e, 2] + x, edges[e, 3] + y
        ux, uy = bx - ax, by - ay
        length = np.sqrt(ux * ux + uy * uy)
        if (
            (abs(ax) <= touch and abs(bx) <= touch)
            or (abs(ax - width) <= touch and abs(bx - width) <= touch)
            or (abs(ay) <= touch and abs(by) <= touch)
            or (abs(ay - height) <= touch and abs(by - height) <= touch)
        ):
            total += length
            continue
        ux, uy = ux / length, uy / length
        for j in range(count):
            u = int(stand[j, 0])
            for f in range(spans[u, 0], spans[u, 1]):
                cx, cy = edges[f, 0] + stand[j, 1] - ax, edges[f, 1] + stand[j, 2] - ay
                dx, dy = edges[f, 2] + stand[j, 1] - ax, edges[f, 3] + stand[j, 2] - ay
                if abs(ux * cy - uy * cx) > touch or abs(ux * dy - uy * dx) > touch:
                    continue
                # Neighbours run in opposite directions along a common border.
                high, low = ux * cx + uy * cy, ux * dx + uy * dy
                if high > low:
                    total += max(min(high, length) - max(low, 0.0), 0.0)
    return total


@compiled
def fill_plate(
    width: float,
    height: float,
    copies: Longs,
    variants: Longs,
    boxes: Floats,
    measures: Floats,
    edges: Floats,
    spans: Longs,
    places: Longs,
    rings: Longs,
    pool: Floats,
    noise: float,
    big: float,
    touch: float,
    state: State,
    spots: Floats,
    stand: Floats,
) -> int:
    """Stand pieces one after the other while any fits; returns how many, ``copies`` is lowered.

    ``copies``: pieces left of every outline; ``variants`` rows: its first variant, one past the last. ``boxes``
    (variants, 4): bounds; ``measures``: area as a share of the plate and length of the outline. Next is the piece and
    place with the largest share of outline in contact, plus ``big`` times its area, plus a chance up to ``noise``.
    ``stand`` rows get variant, x, y. ``spots``: scratch for positions.
    """
    count = 0
    while count < stand.shape[0]:
        best, best_x, best_y, best_score, best_kind = -1, 0.0, 0.0, -1e300, -1
        for kind in range(copies.shape[0]):
            if copies[kind] == 0:
                continue
            luck = noise * draw(state)
            for v in range(variants[kind, 0], variants[kind, 1]):
                if luck + 1.0 + big * measures[v, 0] <= best_score:
                    continue
                x0, x1 = -boxes[v, 0], width - boxes[v, 2]
                y0, y1 = -boxes[v, 1], height - boxes[v, 3]
                if x1 < x0 - touch or y1 < y0 - touch:
                    continue
                spots[0, 0], spots[0, 1], spots[1, 0], spots[1, 1] = x0, y0, x1, y0
                spots[2, 0], spots[2, 1], spots[3, 0], spots[3, 1] = x0, y1, x1, y1
                n = 4
                for j in range(count):
                    u = int(stand[j, 0])
                    for r in range(places[u, v, 0], places[u, v, 1]):
                        for k in range(rings[r, 0], rings[r, 1]):
                            m = k + 1 if k + 1 < rings[r, 1] else rings[r, 0]
                            ax, ay = pool[k, 0] + stand[j, 1], pool[k, 1] + stand[j, 2]
                            bx, by = pool[m, 0] + stand[j, 1], pool[m, 1] + stand[j, 2]
                            if n + 5 > spots.shape[0]:
                                break
                            spots[n, 0], spots[n, 1] = ax, ay
                            n += 1
                            # Where the border of the no-fit region meets the rim.
                            for side in range(2):
                                x = x0 if side == 0 else x1
                                if (ax < x - touch and bx > x + touch) or (ax > x + touch and bx < x - touch):
                                    spots[n, 0], spots[n, 1] = x, ay + (x - ax) / (bx - ax) * (by - ay)
                                    n += 1
                                y = y0 if side == 0 else y1
                                if (ay < y - touch and by > y + touch) or (ay > y + touch and by < y - touch):
                                    spots[n, 0], spots[n, 1] = ax + (y - ay) / (by - ay) * (bx - ax), y
                                    n += 1
                for s in range(n):
                    x, y = spots[s, 0], spots[s, 1]
                    if x < x0 - touch or x > x1 + touch or y < y0 - touch or y > y1 + touch:
                        continue
                    free = True
                    for j in range(count):
                        u = int(stand[j, 0])
                        if not _apart(
                            pool, rings, places[u, v, 0], places[u, v, 1], x - stand[j, 1], y - stand[j, 2], touch
                        ):
                            free = False
                            break
                    if not free:
                        continue
                    share = (
                        _contact(edges, spans[v, 0], spans[v, 1], x, y, width, height, count, stand, spans, touch)
                        / measures[v, 1]
                    )
                    score = share + big * measures[v, 0] + luck
                    if score > best_score:
                        best, best_x, best_y, best_score, best_kind = v, x, y, score, kind
        if best < 0:
            break
        stand[count, 0], stand[count, 1], stand[count, 2] = best, best_x, best_y
        copies[best_kind] -= 1
        count += 1
    return count
