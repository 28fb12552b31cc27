"""What was worked out a moment ago: the way of a lot through its steps, and what its shipment costs.

A search sets a queue, takes it back and sets it again, and every line behind the change is looked at each time: most
of it was known. Both tables have one place for each hash; what comes later takes the place. The answers are those of
``through`` and ``shipping``, whose tables of the shop must not change as long as a book lives.
"""

from __future__ import annotations

import numpy as np

from router.scheduling.calendar import through
from router.scheduling.kernel import kernel
from router.scheduling.prices import shipping
from router.scheduling.shop import Rows, Shop

WALK = np.dtype(
    [
        ("line", np.int64),
        ("site", np.int64),
        ("variant", np.int64),
        ("pieces", np.int64),
        ("done", np.int64),
        ("ready", np.int64),
        ("cents", np.int64),
    ],
    align=True,
)
"""Pieces of a line in a variant whose plate is ``done`` at a site: when they are ready, and cents of their steps."""

SENDING = np.dtype(
    [
        ("line", np.int64),
        ("site", np.int64),
        ("pieces", np.int64),
        ("ready", np.int64),
        ("cents", np.int64),
        ("late", np.int64),
    ],
    align=True,
)
"""Pieces of a line ready at a moment at a site: cents of their cheapest shipment, and its days late."""

_LEAST, _MOST = 1 << 11, 1 << 15
"""Places of a table: a few for each line, within bounds that a processor's cache likes."""


def empty_walks(n_lines: int) -> tuple[Rows, Rows]:
    """Both tables, with nothing known."""
    places = _LEAST
    while places < min(_MOST, 16 * n_lines):
        places *= 2
    walks, sendings = np.zeros(places, dtype=WALK), np.zeros(places, dtype=SENDING)
    walks["line"] = sendings["line"] = -1
    return walks, sendings


@kernel
def _place(places: int, line: int, site: int, pieces: int, moment: int) -> int:
    # Multiplicative hashing; moments of one line differ in their low digits.
    mixed = ((line * 31 + site) * 1021 + pieces) * 2654435761 + moment * 40503
    return int((mixed ^ (mixed >> 15)) & (places - 1))


@kernel
def lot_through(shop: Shop, walks: Rows, line: int, site: int, variant: int, pieces: int, done: int) -> tuple[int, int]:
    """When pieces of a line whose plate is done are ready, and the cents of their steps; NEVER when they never are."""
    known = walks[_place(len(walks), line, site, pieces, done)]
    if (
        known.line == line
        and known.done == done
        and known.pieces == pieces
        and known.site == site
        and known.variant == variant
    ):
        return known.ready, known.cents
    wanted = shop.lines[line]
    steps = shop.lot_steps[wanted.route, site]
    support = shop.variants[variant].support_cm3
    ready, cents = through(
        shop, site, steps.first, steps.last, done, pieces, support, pieces * wanted.part_kg, wanted.code
    )
    known.line, known.site, known.variant, known.pieces, known.done = line, site, variant, pieces, done
    known.ready, known.cents = ready, cents
    return ready, cents


@kernel
def sending(shop: Shop, sendings: Rows, line: int, site: int, pieces: int, ready: int) -> tuple[int, int]:
    """Cents of the cheapest shipment of pieces of a line that are ready, and its days late; NEVER without a carrier."""
    known = sendings[_place(len(sendings), line, site, pieces, ready)]
    if known.line == line and known.ready == ready and known.pieces == pieces and known.site == site:
        return known.cents, known.late
    cents, late = shipping(shop, line, site, pieces, ready)
    known.line, known.site, known.pieces, known.ready = line, site, pieces, ready
    known.cents, known.late = cents, late
    return cents, late
