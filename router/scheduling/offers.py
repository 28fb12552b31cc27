"""Kernel that ranks the places for a line's missing pieces: plates it may join, positions for a plate of its own.

Every place is priced by closed forms, the line's own delivery, and a rough price of delaying what stands behind; the
best few are tried for real by the caller.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from router.scheduling.book import Book, free_plate, lots_have_room, lots_there, plate_with, set_queue, time_plate
from router.scheduling.calendar import attended_end, through
from router.scheduling.kernel import kernel
from router.scheduling.prices import build_price, run_minutes
from router.scheduling.shop import NEVER, Row, Rows, Shop
from router.scheduling.walks import lot_through, sending

PLACE = np.dtype(
    [
        ("cents", np.float64),
        ("machine", np.int64),
        ("variant", np.int64),
        ("plate", np.int64),
        ("position", np.int64),
        ("pieces", np.int64),
        ("rest_cents", np.float64),
        ("once_cents", np.float64),
        ("credit_cents", np.float64),
    ],
    align=True,
)
"""``cents``: estimate of what the plan's cost rises by; ``plate`` -1: a new one at ``position``;
``rest_cents``: rough cost of each piece left over, used when fewer find room, and
``once_cents`` of one lot more; ``credit_cents``: what lines still to
come are taken to bear of a new plate (already off ``cents``)."""

_SMALLEST_LOT = 0.1
"""Share of its pieces with which a line joins a plate at the least ..."""
_SMALLEST_PLATE_SHARE = 0.25
"""... or this share of what a plate would hold, where the line is large beside the plate."""
_LARGER = 1.3
"""A piece so many times larger than one that found no room on a plate is not offered it."""

ASK = np.dtype(
    [
        ("line", np.int64),
        ("missing", np.int64),
        ("cover", np.float64),
        ("blink", np.float64),
        ("credit", np.float64),
        ("positions", np.int64),
        ("depth", np.int64),
        ("only_site", np.int64),
        ("over", np.int64),
    ],
    align=True,
)
"""``cover``: share of a plate's area that estimates count on; ``blink``: chance of overlooking a place; ``credit``:
share of a new plate's free room that others are taken to pay for; ``positions``: places of a queue looked at for a new
plate (its first two besides), ``depth``: plates of a queue asked, both from its end; ``only_site`` -1: any; ``over`` 1:
plates are priced as though what stands on them made room."""


@kernel
def _keep(found: Rows, n: int, most: int, place: Row) -> int:
    """Insert into the ``most`` best so far, best first; returns how many there are."""
    if n == most:
        if place.cents >= found[n - 1].cents:
            return n
        n -= 1
    p = n
    while p > 0 and found[p - 1].cents > place.cents:
        found[p] = found[p - 1]
        p -= 1
    found[p] = place
    return n + 1


@kernel
def _standing_there(shop: Shop, book: Book, line: int, site: int) -> tuple[int, int, int]:
    """Pieces of a line at a site, the moment they are ready, and what their shipment costs as it stands."""
    pieces, ready, _ = lots_there(shop, book, line, site)
    if pieces == 0:
        return 0, 0, 0
    return pieces, ready, sending(shop, book.sendings, line, site, pieces, ready)[0]


@kernel
def smallest_lot(quantity: int, full: int) -> int:
    """Fewest pieces with which a line joins a plate, unless fewer are missing: each lot is a traveler, a walk through
    every step and a powder record of its own, and nobody wants ten of two pieces."""
    return max(1, math.ceil(min(_SMALLEST_LOT * quantity, _SMALLEST_PLATE_SHARE * full)))


@kernel
def _lot_once(shop: Shop, line: int, site: int, t: int) -> float:
    """What one more lot of a line costs at a site whatever its pieces; estimates only."""
    wanted = shop.lines[line]
    steps = shop.lot_steps[wanted.route, site]
    _, one = through(shop, site, steps.first, steps.last, t, 1, 0.0, wanted.part_kg, wanted.code)
    _, two = through(shop, site, steps.first, steps.last, t, 2, 0.0, 2 * wanted.part_kg, wanted.code)
    return max(0.0, 2.0 * one - two)


@kernel
def _delivery(
    shop: Shop, book: Book, line: int, site: int, pieces: int, done: int, variant: int, there: tuple[int, int, int]
) -> tuple[int, int]:
    """What finishing and shipping pieces adds to a line's cost, and its days late."""
    ready, cents = lot_through(shop, book.walks, line, site, variant, pieces, done)
    if ready >= NEVER:
        return NEVER, 0
    shipped, late = sending(shop, book.sendings, line, site, pieces + there[0], max(ready, there[1]))
    if shipped >= NEVER:
        return NEVER, 0
    return cents + shipped - there[2], late


@kernel
def rank_places(
    shop: Shop,
    book: Book,
    open_machines: npt.NDArray[np.bool_],
    firm: npt.NDArray[np.int64],
    ask: Rows,
    scratch: tuple[Rows, Rows, Rows],
    found: Rows,
    fresh: Rows,
) -> tuple[int, int]:
    """Fill ``found`` with the best plates to join and ``fresh`` with the best places for a new one, best first.

    ``firm``: (K,) so many plates at the front of each queue are neither joined nor preceded. ``ask``: one record;
    ``scratch``: one record each of PLATE, TIMES and PLACE to work in. Returns how many of each.
    """
    line, missing = ask[0].line, ask[0].missing
    wanted = shop.lines[line]
    g = wanted.powder
    alloy = shop.alloy_of[g]
    nothing = shop.changes.shape[2]
    most = len(found)
    n = m_fresh = 0
    trial, times, place = scratch
    row = trial[0]
    this = place[0]
    # Machines of one site mostly come one after another.
    at_site, from_then = -1, NEVER
    there, once = (0, 0, 0), 0.0
    for k in range(len(shop.machines)):
        if not open_machines[k]:
            continue
        made = shop.machines[k]
        site = made.site
        if ask[0].only_site >= 0 and site != ask[0].only_site:
            continue
        gate = shop.gates[line, site]
        if gate.open == 0 or shop.rates[k, g].open == 0:
            continue
        span = shop.kinds[wanted.kind, made.model]
        if span.first == span.last:
            continue
        if site != at_site:
            there = _standing_there(shop, book, line, site)
        if site != at_site or made.free_from != from_then:
            once = _lot_once(shop, line, site, made.free_from)
        at_site, from_then = site, made.free_from
        length = book.lengths[k]
        # Rough cents a minute of delaying what stands at and behind each position.
        push = 0.0
        rest = NEVER * 1.0
        for v in range(span.first, span.last):
            variant = shop.variants[v]
            full = max(1, variant.full)
            cents = build_price(shop, k, g, variant.layers, full * variant.exposure_h, full * variant.melt_kg)
            rest = min(rest, cents / full)
        best_variant = -1
        in_time = False
        looked = 0
        for back in range(length + 1):
            position = length - back
            if back > ask[0].depth or position < firm[k]:
                break
            if position < length:
                # --- join the plate that stands there
                plate = book.queues[k, position]
                held = book.plates[plate]
                push += book.times[k, position].pressed_cents_day / shop.common[0].day_min
                if held.powder == g and _may_join(shop, book, line, plate):
                    n = _join_place(shop, book, ask, k, position, plate, there, rest, once, push, this, found, n, most)
            # --- a plate of its own in front of ``position``
            if in_time and looked >= 2:
                continue
            if looked >= ask[0].positions and position > 1:
                continue
            if position > 0:
                at = book.times[k, position - 1].unload_end
                loaded = shop.alloy_of[book.plates[book.queues[k, position - 1]].powder]
            else:
                at = made.free_from
                loaded = made.loaded if made.loaded >= 0 else nothing
            if in_time and loaded != alloy:
                continue
            extra = 0
            if position < length:
                behind = shop.alloy_of[book.plates[book.queues[k, position]].powder]
                after = shop.changes[k, alloy, behind]
                if alloy != behind and after.minutes < 0:
                    continue
                extra = (after.cents if alloy != behind else 0) - book.times[k, position].change_cents
            looked += 1
            better = NEVER * 1.0
            chosen = -1
            for v in range(span.first, span.last):
                if best_variant >= 0 and v != best_variant:
                    continue
                variant = shop.variants[v]
                if variant.full == 0:
                    continue
                pieces = min(missing, max(1, variant.full))
                row.machine, row.powder = k, g
                row.release, row.start, row.before = wanted.release, gate.start, gate.before
                row.codes = wanted.code
                rate = shop.rates[k, g]
                row.layers = max(variant.layers, rate.coupon_layers if wanted.coupons else 0)
                row.exposure_h = pieces * variant.exposure_h + wanted.coupons * rate.coupon_exposure_h
                row.melt_kg = pieces * variant.melt_kg + wanted.coupons * rate.coupon_melt_kg
                row.cents = build_price(shop, k, g, row.layers, row.exposure_h, row.melt_kg)
                others = rest * (missing - pieces) + once if missing > pieces else 0.0
                free = max(0.0, 1.0 - pieces * variant.area_mm2 / (ask[0].cover * made.area_mm2))
                share = 0.0 if wanted.own_plate else ask[0].credit * free
                whole = rate.start_cents + row.layers * rate.layer_cents
                if m_fresh == len(fresh) and wanted.code == 0:
                    # No change or step for nothing, and no delivery cheaper than at once (but for coded pieces: a
                    # cheap slow service may lose its registration). A place left out so does not count as in time.
                    least, _ = _delivery(shop, book, line, site, pieces, made.free_from, v, there)
                    if row.cents - share * whole + extra + others + least >= fresh[m_fresh - 1].cents:
                        continue
                row.run_min = run_minutes(shop, k, row.layers, row.exposure_h)
                if not time_plate(shop, row, k, at, loaded, times[0]):
                    continue
                cents, late = _delivery(shop, book, line, site, pieces, times[0].done, v, there)
                if cents >= NEVER:
                    continue
                in_time = in_time or late == 0
                credit = share * (whole + times[0].change_cents + times[0].steps_cents)
                estimate = times[0].cents + extra + cents + others + push * (times[0].unload_end - at) - credit
                if estimate < better:
                    better = estimate
                    chosen = v
                if ask[0].blink > 0.0 and np.random.random() < ask[0].blink:
                    continue
                this.cents, this.machine, this.variant, this.plate = estimate, k, v, -1
                this.position, this.pieces, this.rest_cents, this.credit_cents = position, pieces, rest, credit
                this.once_cents = once
                m_fresh = _keep(fresh, m_fresh, len(fresh), this)
            if best_variant < 0:
                best_variant = chosen
    return n, m_fresh


@kernel
def _may_join(shop: Shop, book: Book, line: int, plate: int) -> bool:
    """Whether the rules on sharing let a line onto a plate of its powder, room aside."""
    row = book.plates[plate]
    wanted = shop.lines[line]
    there = False
    for n in range(row.count):
        if book.items[plate, n, 0] == line:
            there = True
    if there:
        return True
    if row.own or wanted.own_plate or row.count == book.items.shape[1]:
        return False
    if wanted.code & ~row.codes and row.codes:
        site = shop.machines[row.machine].site
        steps = shop.plate_steps[site, shop.alloy_of[row.powder]]
        codes = row.codes | wanted.code
        for s in range(steps.first, steps.last):
            step = shop.steps[s]
            if step.first == step.last:
                continue
            someone = False
            for o in range(step.first, step.last):
                if codes & ~shop.offers[o].codes == 0:
                    someone = True
            if not someone:
                return False
    return True


@kernel
def _join_place(
    shop: Shop,
    book: Book,
    ask: Rows,
    k: int,
    position: int,
    plate: int,
    there: tuple[int, int, int],
    rest: float,
    once: float,
    push: float,
    this: Row,
    found: Rows,
    n: int,
    most: int,
) -> int:
    """Price joining one plate, in each variant."""
    line, missing = ask[0].line, ask[0].missing
    wanted = shop.lines[line]
    made = shop.machines[k]
    site = made.site
    row = book.plates[plate]
    times = book.times[k, position]
    g = wanted.powder
    rate = shop.rates[k, g]
    fixed_variant = -1
    for m in range(row.count):
        if book.items[plate, m, 0] == line:
            fixed_variant = book.items[plate, m, 1]
    coupons = max(0, wanted.coupons - row.coupons)
    free = made.area_mm2 - coupons * shop.common[0].coupon_area_mm2
    refused_mm2 = math.inf
    if ask[0].over == 0:
        free -= row.area_mm2
        refused_mm2 = row.refused_mm2
    room = free - (1.0 - ask[0].cover) * made.area_mm2
    span = shop.kinds[wanted.kind, made.model]
    gate = shop.gates[line, site]
    steps = shop.plate_steps[site, shop.alloy_of[g]]
    for v in range(span.first, span.last):
        if fixed_variant >= 0 and v != fixed_variant:
            continue
        variant = shop.variants[v]
        if variant.full == 0 or variant.area_mm2 > free or variant.area_mm2 > _LARGER * refused_mm2:
            continue
        pieces = missing
        if variant.area_mm2 > 0.0:
            pieces = min(missing, max(1, int(room / variant.area_mm2)))
        if pieces < min(missing, smallest_lot(wanted.quantity, variant.full)):
            continue
        layers = max(row.layers, variant.layers)
        if coupons:
            layers = max(layers, rate.coupon_layers)
        exposure = row.exposure_h + pieces * variant.exposure_h + coupons * rate.coupon_exposure_h
        melt = row.melt_kg + pieces * variant.melt_kg + coupons * rate.coupon_melt_kg
        sure = build_price(shop, k, g, layers, exposure, melt) - row.cents
        sure += rest * (missing - pieces) + once if missing > pieces else 0.0
        if n == most and row.codes | wanted.code == 0:
            # No lot is cheaper than one that is done at once; for coded pieces it may be, see ``rank_places``.
            least, _ = _delivery(shop, book, line, site, pieces, made.free_from, v, there)
            if sure + least >= found[n - 1].cents:
                continue
        run = times.run
        if wanted.release > times.load:
            run = attended_end(shop, site, wanted.release, made.load_min)
        run = max(run, gate.start)
        if run >= NEVER or run >= gate.before:
            continue
        unload_end = attended_end(shop, site, run + run_minutes(shop, k, layers, exposure), made.unload_min)
        if unload_end >= NEVER:
            continue
        done, step_cents = through(
            shop, site, steps.first, steps.last, unload_end, 1, 0.0, melt, row.codes | wanted.code
        )
        if done >= NEVER:
            continue
        cents, _ = _delivery(shop, book, line, site, pieces, done, v, there)
        if cents >= NEVER or (ask[0].blink > 0.0 and np.random.random() < ask[0].blink):
            continue
        this.cents = sure + step_cents - times.steps_cents + cents + push * max(0, unload_end - times.unload_end)
        this.machine, this.variant, this.plate = k, v, plate
        this.position, this.pieces, this.rest_cents, this.credit_cents = position, pieces, rest, 0.0
        this.once_cents = once
        n = _keep(found, n, most, this)
    return n


@kernel
def seed_kernels(seed: int) -> None:
    """Seed the generator the kernels draw from."""
    np.random.seed(seed)


@kernel
def queue_with(book: Book, k: int, position: int, old: int, new: int, out: npt.NDArray[np.int64]) -> int:
    """A machine's queue with ``new`` in place of ``old`` (-1: put in before ``position``); returns its length."""
    n = 0
    for p in range(book.lengths[k]):
        if old < 0 and p == position:
            out[n] = new
            n += 1
        plate = book.queues[k, p]
        if plate == old:
            if new < 0:
                continue
            plate = new
        out[n] = plate
        n += 1
    if old < 0 and position == book.lengths[k]:
        out[n] = new
        n += 1
    return n


@kernel
def price_queue(
    shop: Shop, book: Book, k: int, queue: npt.NDArray[np.int64], length: int, old: npt.NDArray[np.int64]
) -> int:
    """By how many cents the plan's cost changes if a machine had this queue; NEVER when it cannot. Changes nothing.

    ``old``: an array to work in, as long as the longest queue.
    """
    before = book.sums[0].cents
    n = book.lengths[k]
    for p in range(n):
        old[p] = book.queues[k, p]
    good = set_queue(shop, book, k, queue, length)
    rise: int = book.sums[0].cents - before
    set_queue(shop, book, k, old, n)
    return rise if good else NEVER


@kernel
def price_place(
    shop: Shop,
    book: Book,
    place: Row,
    line: int,
    pieces: int,
    queue: npt.NDArray[np.int64],
    old: npt.NDArray[np.int64],
) -> tuple[int, int]:
    """A new plate with pieces of a line as a place says, and by how many cents the plan's cost would change.

    (-1, NEVER) when it cannot be; the plate is in no queue yet. ``queue`` and ``old``: arrays to work in.
    """
    made = plate_with(shop, book, place.plate, place.machine, line, place.variant, pieces)
    if made < 0:
        return -1, NEVER
    rise = NEVER
    if lots_have_room(book, made, place.plate):
        n = book.lengths[place.machine] + (1 if place.plate < 0 else 0)
        if n <= book.queues.shape[1]:
            queue_with(book, place.machine, place.position, place.plate, made, queue)
            rise = price_queue(shop, book, place.machine, queue, n, old)
    if rise >= NEVER:
        free_plate(book, made)
        return -1, NEVER
    return made, rise
