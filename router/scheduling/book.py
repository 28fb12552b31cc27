"""A plan in arrays: plates as values, queues of machines, lots of lines, and the one way to change them.

``set_queue`` is the only kernel that changes a plan; giving it the old queue takes the change back. Plates are
written once (``plate_with`` and its kin), stand in at most one queue, and are freed when nothing refers to them.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from router.scheduling.calendar import attended_end, next_staffed, through
from router.scheduling.kernel import kernel
from router.scheduling.prices import build_price, run_minutes
from router.scheduling.shop import NEVER, Row, Rows, Shop
from router.scheduling.walks import empty_walks, lot_through, sending

PLATE = np.dtype(
    [
        ("machine", np.int64),
        ("powder", np.int64),
        ("count", np.int64),
        ("pieces", np.int64),
        ("layers", np.int64),
        ("exposure_h", np.float64),
        ("melt_kg", np.float64),
        ("area_mm2", np.float64),
        ("release", np.int64),
        ("start", np.int64),
        ("before", np.int64),
        ("coupons", np.int64),
        ("codes", np.int64),
        ("own", np.int64),
        ("run_min", np.int64),
        ("cents", np.int64),
        ("position", np.int64),
        ("kept", np.int64),
        ("mark", np.int64),
        ("refused_mm2", np.float64),
    ],
    align=True,
)
"""``position`` in its machine's queue, -1 when in none; ``kept``: the best plan refers to it; ``mark``: scratch;
``refused_mm2``: area of the smallest piece that found no room on it."""

TIMES = np.dtype(
    [
        ("begin", np.int64),
        ("load", np.int64),
        ("run", np.int64),
        ("run_end", np.int64),
        ("unload_end", np.int64),
        ("done", np.int64),
        ("change_cents", np.int64),
        ("steps_cents", np.int64),
        ("cents", np.int64),
        ("pressed_cents_day", np.float64),
    ],
    align=True,
)
"""Moments of one place of a queue; ``cents`` of its change, build and plate steps; ``pressed_cents_day``: what a day's
delay costs by the lines on it that are about to be late."""

LOT = np.dtype([("plate", np.int64), ("pieces", np.int64), ("variant", np.int64)], align=True)
STANDING = np.dtype(
    [
        ("first", np.int64),
        ("room", np.int64),
        ("lots", np.int64),
        ("pieces", np.int64),
        ("cents", np.int64),
        ("late", np.int64),
        ("stamp", np.int64),
    ],
    align=True,
)
"""A line's lots (``first`` row, room for so many, how many), pieces placed, cents after the plate, days late."""

SUMS = np.dtype(
    [("cents", np.int64), ("placed", np.int64), ("free", np.int64), ("stamp", np.int64), ("touched", np.int64)],
    align=True,
)


class Book(NamedTuple):
    """The plan; see the record types above."""

    plates: Rows
    items: npt.NDArray[np.int64]
    """(plates, width, 3): line, variant, pieces."""
    queues: npt.NDArray[np.int64]
    """(K, Q) plates in order."""
    lengths: npt.NDArray[np.int64]
    times: Rows
    """[TIMES] (K, Q)"""
    timed: npt.NDArray[np.int64]
    """(K,) so many places of each queue, from its front, have the times of the plates that stand there."""
    times_before: Rows
    """[TIMES] (Q,) to work in."""
    machine_cents: npt.NDArray[np.int64]
    lots: Rows
    standing: Rows
    """[STANDING] (L,)"""
    touched: npt.NDArray[np.int64]
    free: npt.NDArray[np.int64]
    """Stack of unused plates."""
    sums: Rows
    """[SUMS] (1,)"""
    walks: Rows
    sendings: Rows
    """What walks.py remembers; no part of the plan."""


def new_book(shop: Shop, plates: int, longest_queue: int, width: int) -> Book:
    """An empty plan with room for so many plates, queues so long and so many lines a plate."""
    n_lines, n_machines = len(shop.lines), len(shop.machines)
    standing = np.zeros(n_lines, dtype=STANDING)
    # A line's lots: never more than its pieces, and never more than plates it could reasonably spread over.
    standing["room"] = np.minimum(shop.lines["quantity"], shop.lines["quantity"] // 2 + 48)
    standing["first"] = np.concatenate(([0], np.cumsum(standing["room"])[:-1]))
    sums = np.zeros(1, dtype=SUMS)
    sums["free"] = plates
    made = np.zeros(plates, dtype=PLATE)
    made["position"] = -1
    walks, sendings = empty_walks(n_lines)
    return Book(
        plates=made,
        items=np.zeros((plates, width, 3), dtype=np.int64),
        queues=np.full((n_machines, longest_queue), -1, dtype=np.int64),
        lengths=np.zeros(n_machines, dtype=np.int64),
        times=np.zeros((n_machines, longest_queue), dtype=TIMES),
        timed=np.zeros(n_machines, dtype=np.int64),
        times_before=np.zeros(longest_queue, dtype=TIMES),
        machine_cents=np.zeros(n_machines, dtype=np.int64),
        lots=np.zeros(int(standing["room"].sum()), dtype=LOT),
        standing=standing,
        touched=np.zeros(n_lines, dtype=np.int64),
        free=np.arange(plates - 1, -1, -1, dtype=np.int64),
        sums=sums,
        walks=walks,
        sendings=sendings,
    )


@kernel
def take_plate(book: Book) -> int:
    """An unused plate; -1 when none is left."""
    n = book.sums[0].free
    if n == 0:
        return -1
    book.sums[0].free = n - 1
    return int(book.free[n - 1])


@kernel
def free_plate(book: Book, plate: int) -> None:
    """Give a plate back that stands in no queue and that the best plan does not refer to."""
    n = book.sums[0].free
    book.free[n] = plate
    book.sums[0].free = n + 1


@kernel
def reckon_plate(shop: Shop, book: Book, plate: int) -> None:
    """Work out every figure of a plate from its items and its machine."""
    row = book.plates[plate]
    k, g = row.machine, row.powder
    site = shop.machines[k].site
    layers, pieces, codes, own, coupons = 0, 0, 0, 0, 0
    exposure, melt, area = 0.0, 0.0, 0.0
    release, start, before = 0, 0, NEVER
    for n in range(row.count):
        line = book.items[plate, n, 0]
        variant = shop.variants[book.items[plate, n, 1]]
        many = book.items[plate, n, 2]
        wanted = shop.lines[line]
        layers = max(layers, variant.layers)
        exposure += many * variant.exposure_h
        melt += many * variant.melt_kg
        area += many * variant.area_mm2
        pieces += many
        codes |= wanted.code
        own |= wanted.own_plate
        coupons = max(coupons, wanted.coupons)
        release = max(release, wanted.release)
        start = max(start, shop.gates[line, site].start)
        before = min(before, shop.gates[line, site].before)
    if coupons:
        rate = shop.rates[k, g]
        layers = max(layers, rate.coupon_layers)
        exposure += coupons * rate.coupon_exposure_h
        melt += coupons * rate.coupon_melt_kg
        area += coupons * shop.common[0].coupon_area_mm2
    row.layers, row.pieces, row.codes, row.own, row.coupons = layers, pieces, codes, own, coupons
    row.exposure_h, row.melt_kg, row.area_mm2 = exposure, melt, area
    row.release, row.start, row.before = release, start, before
    row.run_min = run_minutes(shop, k, layers, exposure)
    row.cents = build_price(shop, k, g, layers, exposure, melt)
    row.position = -1
    row.kept = 0
    row.mark = 0
    row.refused_mm2 = math.inf


@kernel
def _copy_items(book: Book, plate: int, base: int, count: int) -> None:
    for n in range(count):
        for part in range(3):
            book.items[plate, n, part] = book.items[base, n, part]


@kernel
def plate_with(shop: Shop, book: Book, base: int, machine: int, line: int, variant: int, pieces: int) -> int:
    """A new plate: ``base`` (-1: empty) and pieces of a line. -1 when there is no room in the tables."""
    plate = take_plate(book)
    if plate < 0:
        return -1
    row = book.plates[plate]
    row.machine = machine
    row.powder = shop.lines[line].powder
    count = 0
    if base >= 0:
        count = book.plates[base].count
        _copy_items(book, plate, base, count)
    held = -1
    for n in range(count):
        if book.items[plate, n, 0] == line:
            held = n
    if held < 0:
        if count == book.items.shape[1]:
            free_plate(book, plate)
            return -1
        book.items[plate, count, 0] = line
        book.items[plate, count, 1] = variant
        book.items[plate, count, 2] = pieces
        count += 1
    else:
        book.items[plate, held, 2] += pieces
    row.count = count
    reckon_plate(shop, book, plate)
    if base >= 0:
        row.refused_mm2 = book.plates[base].refused_mm2
    return plate


@kernel
def plate_on(shop: Shop, book: Book, base: int, machine: int, variants: npt.NDArray[np.int64]) -> int:
    """The same pieces on another machine, with the variants that hold there."""
    plate = take_plate(book)
    if plate < 0:
        return -1
    row = book.plates[plate]
    row.machine = machine
    row.powder = book.plates[base].powder
    count = book.plates[base].count
    _copy_items(book, plate, base, count)
    for n in range(count):
        book.items[plate, n, 1] = variants[n]
    row.count = count
    reckon_plate(shop, book, plate)
    row.refused_mm2 = book.plates[base].refused_mm2
    return plate


@kernel
def plate_without(shop: Shop, book: Book, base: int, line: int) -> int:
    """A new plate: ``base`` without a line; -1 when nothing would be left (or no room in the tables)."""
    if book.plates[base].count <= 1:
        return -1
    plate = take_plate(book)
    if plate < 0:
        return -1
    row = book.plates[plate]
    row.machine = book.plates[base].machine
    row.powder = book.plates[base].powder
    count = 0
    for n in range(book.plates[base].count):
        if book.items[base, n, 0] != line:
            for part in range(3):
                book.items[plate, count, part] = book.items[base, n, part]
            count += 1
    row.count = count
    reckon_plate(shop, book, plate)
    return plate


@kernel
def time_plate(shop: Shop, plate_row: Row, k: int, at: int, loaded: int, out: Row) -> bool:
    """Earliest times of a build on a machine free from ``at`` with an alloy loaded; False when it never can be."""
    made = shop.machines[k]
    site = made.site
    alloy = shop.alloy_of[plate_row.powder]
    change = shop.changes[k, loaded, alloy]
    changes = loaded != alloy and loaded < shop.changes.shape[2]
    if changes and change.minutes < 0:
        return False
    while True:
        begin = at
        changed = at
        if changes:
            changed = attended_end(shop, site, at, change.minutes)
            if changed >= NEVER:
                return False
            # Attended work starts with the first staffed minute; one minute of it ends one minute later.
            begin = attended_end(shop, site, at, 1) - 1 if change.minutes > 0 else at
        load = max(changed, plate_row.release)
        if load >= NEVER:
            return False
        run = attended_end(shop, site, load, made.load_min)
        while run < plate_row.start:
            # Begin to load so much later that the run starts in its window; from a staffed minute, so that it ends.
            load = next_staffed(shop, site, load) + plate_row.start - run
            if load >= NEVER:
                return False
            run = attended_end(shop, site, load, made.load_min)
        if run >= NEVER or run >= plate_row.before:
            return False
        if made.load_min > 0:
            load = attended_end(shop, site, load, 1) - 1
        if not changes:
            begin = load
        run_end = run + plate_row.run_min
        unload_end = attended_end(shop, site, run_end, made.unload_min)
        if unload_end >= NEVER:
            return False
        clash = -1
        for s in range(made.stop_first, made.stop_last):
            if begin < shop.stops[s].end and shop.stops[s].start < unload_end:
                clash = shop.stops[s].end
                break
        if clash < 0:
            break
        at = max(clash, at + 1)
    steps = shop.plate_steps[site, alloy]
    done, cents = through(shop, site, steps.first, steps.last, unload_end, 1, 0.0, plate_row.melt_kg, plate_row.codes)
    if done >= NEVER:
        return False
    out.begin, out.load, out.run, out.run_end, out.unload_end, out.done = begin, load, run, run_end, unload_end, done
    out.change_cents = change.cents if changes else 0
    out.steps_cents = cents
    out.cents = out.change_cents + cents + plate_row.cents
    return True


@kernel
def lots_there(shop: Shop, book: Book, line: int, site: int) -> tuple[int, int, int]:
    """Pieces of a line at a site as its lots stand, the moment they are ready, and cents of their steps.

    Ready at NEVER when some never are; the cents are those of the others then.
    """
    held = book.standing[line]
    pieces, ready, total = 0, 0, 0
    for a in range(held.first, held.first + held.lots):
        lot = book.lots[a]
        plate = book.plates[lot.plate]
        if shop.machines[plate.machine].site != site:
            continue
        done = book.times[plate.machine, plate.position].done
        at, cents = lot_through(shop, book.walks, line, site, lot.variant, lot.pieces, done)
        pieces += lot.pieces
        ready = max(ready, at)
        if at < NEVER:
            total += cents
    return pieces, ready, total


@kernel
def new_site(shop: Shop, book: Book, line: int, a: int) -> int:
    """Site of a lot of a line; -1 when an earlier lot of the line stands there too."""
    site = shop.machines[book.plates[book.lots[a].plate].machine].site
    for b in range(book.standing[line].first, a):
        if shop.machines[book.plates[book.lots[b].plate].machine].site == site:
            return -1
    return int(site)


@kernel
def line_cents(shop: Shop, book: Book, line: int) -> tuple[int, int]:
    """Cents of steps after the plate, freight and lateness of a line as its lots stand, and its most days late."""
    held = book.standing[line]
    total, late = 0, 0
    for a in range(held.first, held.first + held.lots):
        site = new_site(shop, book, line, a)
        if site < 0:
            continue
        pieces, ready, cents = lots_there(shop, book, line, site)
        if ready >= NEVER:
            return NEVER, 0
        total += cents
        cents, days = sending(shop, book.sendings, line, site, pieces, ready)
        if cents >= NEVER:
            return NEVER, 0
        total += cents
        late = max(late, days)
    return total, late


@kernel
def _touch(book: Book, line: int) -> None:
    if book.standing[line].stamp != book.sums[0].stamp:
        book.standing[line].stamp = book.sums[0].stamp
        book.touched[book.sums[0].touched] = line
        book.sums[0].touched += 1


@kernel
def _leave(book: Book, plate: int) -> None:
    for n in range(book.plates[plate].count):
        line = book.items[plate, n, 0]
        held = book.standing[line]
        last = held.first + held.lots - 1
        for a in range(held.first, last + 1):
            if book.lots[a].plate == plate:
                held.pieces -= book.lots[a].pieces
                book.sums[0].placed -= book.lots[a].pieces
                # Later lots move up, so that the order of a line's lots does not hang on how it came about.
                for b in range(a, last):
                    book.lots[b] = book.lots[b + 1]
                held.lots -= 1
                break
        _touch(book, line)
    book.plates[plate].position = -1


@kernel
def _join(book: Book, plate: int) -> None:
    for n in range(book.plates[plate].count):
        line = book.items[plate, n, 0]
        held = book.standing[line]
        a = held.first + held.lots
        book.lots[a].plate = plate
        book.lots[a].pieces = book.items[plate, n, 2]
        book.lots[a].variant = book.items[plate, n, 1]
        held.lots += 1
        held.pieces += book.items[plate, n, 2]
        book.sums[0].placed += book.items[plate, n, 2]
        _touch(book, line)


@kernel
def lots_have_room(book: Book, plate: int, leaving: int) -> bool:
    """Whether every line of a plate may have one more lot, once the plate ``leaving`` (-1: none) is gone."""
    for n in range(book.plates[plate].count):
        held = book.standing[book.items[plate, n, 0]]
        if held.lots < held.room:
            continue
        if leaving < 0:
            return False
        there = False
        for m in range(book.plates[leaving].count):
            if book.items[leaving, m, 0] == book.items[plate, n, 0]:
                there = True
        if not there:
            return False
    return True


@kernel
def _pressed(shop: Shop, book: Book, plate: int, unload_end: int) -> float:
    pressed = 0.0
    for n in range(book.plates[plate].count):
        line = shop.lines[book.items[plate, n, 0]]
        if unload_end > line.pressed_from:
            pressed += line.late_rate
    return pressed


@kernel
def set_queue(shop: Shop, book: Book, k: int, queue: npt.NDArray[np.int64], length: int) -> bool:
    """Give a machine a new queue. True when every build of it has its times and every line its delivery.

    On False the plan is changed all the same; the caller gives the old queue back. What stands behind the change is
    timed anew only as far as the change is felt: a night or a release often takes it up.
    """
    plates, sums = book.plates, book.sums
    sums[0].stamp += 1
    sums[0].touched = 0
    first = 0
    old_length = book.lengths[k]
    while first < length and first < old_length and queue[first] == book.queues[k, first]:
        first += 1
    # Plates at the end that stay what they are, one place on or back perhaps; their times are known if all are.
    shift = length - old_length
    tail = length
    if book.timed[k] == old_length:
        while tail > first and tail - shift > first and queue[tail - 1] == book.queues[k, tail - 1 - shift]:
            tail -= 1
    before = book.times_before
    for p in range(first, old_length):
        before[p] = book.times[k, p]
    for p in range(first, length):
        plates[queue[p]].mark = 1
    for p in range(first, old_length):
        if plates[book.queues[k, p]].mark == 0:
            _leave(book, book.queues[k, p])
    made = shop.machines[k]
    nothing = shop.changes.shape[2]
    at = made.free_from
    loaded = made.loaded if made.loaded >= 0 else nothing
    if first > 0:
        at = book.times[k, first - 1].unload_end
        loaded = shop.alloy_of[plates[queue[first - 1]].powder]
    # What the first plate of the tail came behind, so far.
    was_at, was_loaded = at, loaded
    if tail < length and tail - shift > first:
        was_at = before[tail - shift - 1].unload_end
        was_loaded = shop.alloy_of[plates[book.queues[k, tail - shift - 1]].powder]
    for p in range(first, length):
        plate = queue[p]
        plates[plate].mark = 0
        if plates[plate].position < 0:
            _join(book, plate)
        plates[plate].position = p
        book.queues[k, p] = plate
    book.lengths[k] = length
    good = True
    settled = length
    for p in range(first, length):
        if p >= tail and at == was_at and loaded == was_loaded:
            settled = p
            break
        plate = plates[queue[p]]
        if not time_plate(shop, plate, k, at, loaded, book.times[k, p]):
            good = False
            book.timed[k] = p
            break
        at = book.times[k, p].unload_end
        loaded = shop.alloy_of[plate.powder]
        book.times[k, p].pressed_cents_day = _pressed(shop, book, queue[p], at)
        if p >= tail:
            was_at, was_loaded = before[p - shift].unload_end, loaded
            if book.times[k, p].done == before[p - shift].done:
                continue
        for n in range(plate.count):
            _touch(book, book.items[queue[p], n, 0])
    if not good:
        return False
    for p in range(settled, length):
        book.times[k, p] = before[p - shift]
    book.timed[k] = length
    cents = 0
    for p in range(length):
        cents += book.times[k, p].cents
    total = sums[0].cents + cents - book.machine_cents[k]
    book.machine_cents[k] = cents
    for n in range(sums[0].touched):
        line = book.touched[n]
        held = book.standing[line]
        now, late = line_cents(shop, book, line)
        if now >= NEVER:
            good = False
            now, late = 0, 0
        total += now - held.cents
        held.cents = now
        held.late = late
    sums[0].cents = total
    return good
