"""Kernels of time: staffed work, steps one after another, outside trips, dispatch days."""

from __future__ import annotations

import math

from router.scheduling.kernel import kernel
from router.scheduling.shop import ATTENDED, NEVER, UNATTENDED, Rows, Shop


@kernel
def first_after(staffed: Rows, first: int, last: int, t: int) -> int:
    """Row of the first stretch that ends after ``t``; ``last`` when there is none."""
    low, high = first, last
    while low < high:
        middle = (low + high) // 2
        if staffed[middle].end > t:
            high = middle
        else:
            low = middle + 1
    return low


@kernel
def attended_end(shop: Shop, site: int, t: int, minutes: int) -> int:
    """End of attended work begun at ``t``; NEVER when the calendar ends first."""
    if minutes <= 0:
        return t
    staffed = shop.staffed
    last = shop.shifts[site].last
    i = first_after(staffed, shop.shifts[site].first, last, t)
    if i == last:
        return NEVER
    start = max(t, staffed[i].start)
    if start + minutes <= staffed[i].end:
        return int(start + minutes)
    goal = staffed[i].sum + (start - staffed[i].start) + minutes
    low, high = i + 1, last
    while low < high:
        middle = (low + high) // 2
        if staffed[middle].sum >= goal:
            high = middle
        else:
            low = middle + 1
    j = low - 1
    end: int = staffed[j].start + goal - staffed[j].sum
    return end if end <= staffed[j].end else NEVER


@kernel
def next_staffed(shop: Shop, site: int, t: int) -> int:
    """First staffed minute at or after ``t``; NEVER when the calendar ends first."""
    last = shop.shifts[site].last
    i = first_after(shop.staffed, shop.shifts[site].first, last, t)
    return NEVER if i == last else max(t, shop.staffed[i].start)


@kernel
def first_moment(moments: Rows, first: int, last: int, t: int) -> int:
    """Row of the first entry whose moment is at or after ``t``; ``last`` when there is none."""
    low, high = first, last
    while low < high:
        middle = (low + high) // 2
        if moments[middle].moment >= t:
            high = middle
        else:
            low = middle + 1
    return low


@kernel
def through(
    shop: Shop, site: int, first: int, last: int, t: int, pieces: int, support_cm3: float, kg: float, codes: int
) -> tuple[int, int]:
    """Moment and cents of passing steps ``first <= s < last`` from ``t`` on; NEVER when nobody may or can."""
    cents = 0
    for s in range(first, last):
        step = shop.steps[s]
        if step.kind <= UNATTENDED:
            took = step.once_min + pieces * (step.piece_min + step.support_min * support_cm3)
            minutes = math.ceil(took - 1e-9)
            if step.kind == ATTENDED:
                t = attended_end(shop, site, t, minutes)
            elif minutes > 0:
                t = next_staffed(shop, site, t) + minutes
            cents += math.floor(step.fixed_cents + took * step.minute_cents + 0.5)
        else:
            best = -1.0
            collected = -1
            for o in range(step.first, step.last):
                offer = shop.offers[o]
                if codes & ~offer.codes:
                    continue
                asked = math.floor(offer.lot_cents + offer.kg_cents * kg + 0.5)
                if collected >= 0 and asked >= best:
                    continue
                end = shop.trip_spans[offer.trip].last
                row = first_moment(shop.trips, shop.trip_spans[offer.trip].first, end, t)
                if row < end:
                    best = asked
                    collected = row
            if collected < 0:
                return NEVER, 0
            t = max(t, shop.trips[collected].back)
            cents += int(best)
        if t >= NEVER:
            return NEVER, 0
    return t, cents


@kernel
def arrival_day(shop: Shop, place: int, day: int, n: int) -> int:
    """``n`` business days of a place after ``day``; 0 is the day itself."""
    if n == 0:
        return day
    calendar = shop.calendar_of[place]
    before = shop.days_before[calendar, day - shop.common[0].day0]
    index = before + n - 1
    if index >= shop.business.shape[1]:
        return NEVER
    return int(shop.business[calendar, index])
