"""Small shops for tests, every array of a ``Shop`` filled from a few plain values. All figures are invented."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from router.scheduling.shop import (
    CARRIER,
    CHANGE,
    COMMON,
    GATE,
    LINE,
    MACHINE,
    NEVER,
    OFFER,
    POST,
    RATE,
    SPAN,
    STEP,
    STRETCH,
    TRIP,
    VARIANT,
    Rows,
    Shop,
    table,
)


@dataclass(frozen=True, slots=True)
class TinyLine:
    """Pieces that are all alike. ``windows``: by site, when runs may begin; ``sites``: those open, all when empty."""

    quantity: int = 1
    powder: int = 0
    due: int = 0
    late_cents: float = 0.0
    release: int = 0
    place: int = 0
    route: int = 0
    part_kg: float = 1.0
    box_cm3: float = 0.0
    coupons: int = 0
    code: int = 0
    own_plate: bool = False
    may_split: bool = False
    sites: Sequence[int] = ()
    windows: Mapping[int, tuple[int, int]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class TinyVariant:
    """A piece on a model of machine; ``full`` as a search would guess it."""

    shape: int
    area: float
    layers: int = 1
    exposure_h: float = 0.0
    melt_kg: float = 0.0
    support_cm3: float = 0.0
    full: int = 1


@dataclass(frozen=True, slots=True)
class TinyMachine:
    """One machine; one layer takes ``recoat_s``. ``powders``: those it may build, all when empty."""

    site: int = 0
    model: int = 0
    plate: int = 0
    area: float = 100.0
    free_from: int = 0
    loaded: int = -1
    load_min: int = 0
    unload_min: int = 0
    setup_min: float = 0.0
    recoat_s: float = 60.0
    cooldown_min: float = 0.0
    stops: Sequence[tuple[int, int]] = ()
    start_cents: float = 0.0
    layer_cents: float = 0.0
    exposure_cents_h: float = 0.0
    melt_cents_kg: float = 0.0
    coupon: tuple[float, float, int] = (0.0, 0.0, 0)
    """Exposure hours, melted kg and layers of a coupon."""
    powders: Sequence[int] = ()


@dataclass(frozen=True, slots=True)
class TinyStep:
    """A step in a centre (``kind`` ATTENDED or UNATTENDED), or BOUGHT from ``offers`` (lot, a kg, codes, trip)."""

    kind: int
    once_min: float = 0.0
    piece_min: float = 0.0
    support_min: float = 0.0
    fixed_cents: float = 0.0
    minute_cents: float = 0.0
    offers: Sequence[tuple[float, float, int, int]] = ()


@dataclass(frozen=True, slots=True)
class TinyCarrier:
    """A carrier between a site and a place."""

    base_cents: int = 0
    kg_cents: float = 0.0
    dim_cm3_kg: float = 5000.0
    max_kg: float = 1e9
    carbon_cents_kg: float = 0.0
    days: int = 0
    post: int = 0
    customs_cents: int = 0


@dataclass(frozen=True, slots=True)
class Around:
    """Everything of a shop but lines, machines and variants. Without values: a clock that never stops, no steps, one
    carrier that costs nothing and leaves at the end of each day."""

    alloy_of: Sequence[int] = (0,)
    changes: Mapping[tuple[int, int, int], tuple[int, int]] = field(default_factory=dict)
    """(machine, from, to): minutes (-1: never) and cents; nothing where not named."""
    staffed: Mapping[int, Sequence[tuple[int, int]]] = field(default_factory=dict)
    plate_steps: Mapping[tuple[int, int], Sequence[TinyStep]] = field(default_factory=dict)
    """(site, alloy)"""
    lot_steps: Mapping[tuple[int, int], Sequence[TinyStep]] = field(default_factory=dict)
    """(route, site)"""
    trips: Sequence[Sequence[tuple[int, int]]] = ()
    carriers: Mapping[tuple[int, int], Sequence[TinyCarrier]] = field(default_factory=dict)
    """(place, site)"""
    posts: Sequence[Sequence[tuple[int, int]]] = ()
    workdays: Callable[[int], bool] = lambda _: True
    day_min: int = 100
    days: int = 100
    coupon_area: float = 0.0
    mass_fraction: float = 0.0
    fixed_kg: float = 0.0
    void_factor: float = 0.0


def tiny_shop(
    lines: Sequence[TinyLine],
    machines: Sequence[TinyMachine],
    variants: Sequence[Sequence[Sequence[TinyVariant]]],
    around: Around | None = None,
) -> Shop:
    """``variants[line][model]``: the orientations of a line's piece. Day ``d`` is minutes ``d x day_min`` on."""
    a = around or Around()
    n_sites = max(m.site for m in machines) + 1
    n_models = max(m.model for m in machines) + 1
    n_places = max(x.place for x in lines) + 1
    n_routes = max(x.route for x in lines) + 1
    n_alloys = max(a.alloy_of) + 1
    end = a.days * a.day_min
    rows: list[tuple[Any, ...]] = []
    kinds = [_span(rows, [_variant(v) for v in per[model]]) for per in variants for model in range(n_models)]
    steps: list[tuple[Any, ...]] = []
    offers: list[tuple[Any, ...]] = []
    plate_steps = [
        _span(steps, _steps(a.plate_steps.get((s, y), ()), offers)) for s in range(n_sites) for y in range(n_alloys)
    ]
    lot_steps = [
        _span(steps, _steps(a.lot_steps.get((r, s), ()), offers)) for r in range(n_routes) for s in range(n_sites)
    ]
    carriers: list[tuple[Any, ...]] = []
    lanes = [
        _span(carriers, [_carrier(c) for c in a.carriers.get((p, s), (TinyCarrier(),))])
        for p in range(n_places)
        for s in range(n_sites)
    ]
    staffed: list[tuple[Any, ...]] = []
    shifts = [_span(staffed, _summed(a.staffed.get(s, ((0, end),)))) for s in range(n_sites)]
    trips: list[tuple[Any, ...]] = []
    trip_spans = [_span(trips, list(calendar)) for calendar in a.trips]
    posts: list[tuple[Any, ...]] = []
    daily = [[((d + 1) * a.day_min, d) for d in range(a.days)]]
    post_spans = [_span(posts, list(calendar)) for calendar in (a.posts or daily)]
    stops: list[tuple[Any, ...]] = []
    stop_spans = [_span(stops, [(x, y, 0) for x, y in m.stops]) for m in machines]
    before, business = _business(a)
    return Shop(
        lines=table(LINE, [_line(x, i, a) for i, x in enumerate(lines)]),
        gates=table(
            GATE,
            [(int(not x.sites or s in x.sites), *x.windows.get(s, (0, NEVER))) for x in lines for s in range(n_sites)],
            (len(lines), n_sites),
        ),
        alloy_of=np.array(a.alloy_of, dtype=np.int64),
        machines=table(MACHINE, [_machine(m, span) for m, span in zip(machines, stop_spans, strict=True)]),
        rates=table(
            RATE,
            [
                (
                    int(not m.powders or g in m.powders),
                    m.start_cents,
                    m.layer_cents,
                    m.exposure_cents_h,
                    m.melt_cents_kg,
                    *m.coupon,
                )
                for m in machines
                for g in range(len(a.alloy_of))
            ],
            (len(machines), len(a.alloy_of)),
        ),
        changes=table(
            CHANGE,
            [
                a.changes.get((k, y, z), (0, 0)) if y < n_alloys else (0, 0)
                for k in range(len(machines))
                for y in range(n_alloys + 1)
                for z in range(n_alloys)
            ],
            (len(machines), n_alloys + 1, n_alloys),
        ),
        stops=table(STRETCH, stops),
        variants=table(VARIANT, rows),
        kinds=table(SPAN, kinds, (len(lines), n_models)),
        staffed=table(STRETCH, staffed),
        shifts=table(SPAN, shifts),
        steps=table(STEP, steps),
        plate_steps=table(SPAN, plate_steps, (n_sites, n_alloys)),
        lot_steps=table(SPAN, lot_steps, (n_routes, n_sites)),
        offers=table(OFFER, offers),
        trips=table(TRIP, trips),
        trip_spans=table(SPAN, trip_spans),
        carriers=table(CARRIER, carriers),
        lanes=table(SPAN, lanes, (n_places, n_sites)),
        posts=table(POST, posts),
        post_spans=table(SPAN, post_spans),
        calendar_of=np.zeros(n_places, dtype=np.int64),
        days_before=before,
        business=business,
        common=table(COMMON, [(0, a.mass_fraction, a.fixed_kg, a.void_factor, a.coupon_area, float(a.day_min))]),
    )


def _span(rows: list[tuple[Any, ...]], more: Sequence[tuple[Any, ...]]) -> tuple[int, int]:
    first = len(rows)
    rows.extend(more)
    return first, len(rows)


def _line(x: TinyLine, kind: int, a: Around) -> tuple[Any, ...]:
    pressed_from = (x.due - 2) * a.day_min
    return (
        *(x.quantity, x.powder, kind, x.place, x.route, x.release, x.due, pressed_from, x.late_cents, x.part_kg),
        *(x.box_cm3, x.coupons, x.code, int(x.own_plate), int(x.may_split)),
    )


def _variant(v: TinyVariant) -> tuple[Any, ...]:
    return v.shape, v.layers, v.exposure_h, v.melt_kg, v.support_cm3, v.area, v.full


def _machine(m: TinyMachine, stops: tuple[int, int]) -> tuple[Any, ...]:
    return (
        *(m.site, m.model, m.free_from, m.loaded, m.load_min, m.unload_min, 60.0 * m.setup_min, m.recoat_s),
        *(60.0 * m.cooldown_min, m.area, m.plate, *stops),
    )


def _steps(steps: Sequence[TinyStep], offers: list[tuple[Any, ...]]) -> list[tuple[Any, ...]]:
    return [
        (s.kind, s.once_min, s.piece_min, s.support_min, s.fixed_cents, s.minute_cents, *_span(offers, s.offers))
        for s in steps
    ]


def _carrier(c: TinyCarrier) -> tuple[Any, ...]:
    return (*(c.base_cents, c.kg_cents, c.dim_cm3_kg, c.max_kg, c.carbon_cents_kg, c.days, c.post, c.customs_cents),)


def _summed(stretches: Sequence[tuple[int, int]]) -> list[tuple[int, int, int]]:
    rows, total = [], 0
    for start, end in stretches:
        rows.append((start, end, total))
        total += end - start
    return rows


def _business(a: Around) -> tuple[Rows, Rows]:
    before = np.zeros((1, a.days), dtype=np.int64)
    business = np.full((1, a.days), NEVER, dtype=np.int64)
    count = 0
    for day in range(a.days):
        if a.workdays(day):
            business[0, count] = day
            count += 1
        before[0, day] = count
    return before, business
