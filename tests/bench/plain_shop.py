"""A shop without trade in it: one clock that never stops, no steps, no carriers' prices. The adapters start here.

One unit of time is one minute of the model and one "day" of lateness; one unit of cost is ``UNIT_CENTS`` cents.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

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
    Shop,
    table,
)

UNIT_CENTS = 100


@dataclass(frozen=True, slots=True)
class PlainLine:
    """Pieces that are all alike: release, due date, cost of a unit of lateness of the whole line."""

    quantity: int = 1
    release: int = 0
    due: int = 0
    late_cents: float = 0.0
    sites: Sequence[int] = ()
    """Sites that may build it; all when empty."""
    freight: Sequence[float] = ()
    """Cents a piece from each site; nothing when empty."""
    may_split: bool = False


@dataclass(frozen=True, slots=True)
class PlainVariant:
    """A piece on a model of machine: minutes by height, minutes by exposure, area."""

    shape: int
    area: float
    height_min: int = 0
    exposure_min: float = 0.0
    cents: float = 0.0


@dataclass(frozen=True, slots=True)
class PlainMachine:
    """One machine of a site."""

    site: int
    model: int
    plate: int
    area: float
    setup_min: float = 0.0
    start_cents: float = 0.0
    layer_min: float = 1.0
    horizon: int = 0
    """Nothing is loaded from then on; 0: never stops."""


def plain_shop(
    lines: Sequence[PlainLine],
    machines: Sequence[PlainMachine],
    variants: Sequence[Sequence[Sequence[PlainVariant]]],
    horizon: int,
) -> Shop:
    """``variants[line][model]``: the orientations of a line's piece; ``horizon``: later than any useful plan ends."""
    n_sites = max(m.site for m in machines) + 1
    n_models = max(m.model for m in machines) + 1
    rows: list[tuple[float, ...]] = []
    kinds: list[tuple[int, int]] = []
    for per_model in variants:
        for model in range(n_models):
            first = len(rows)
            for v in per_model[model]:
                full = max(1, int(0.75 * max(m.area for m in machines if m.model == model) / max(v.area, 1e-9)))
                rows.append((v.shape, v.height_min, v.exposure_min / 60.0, v.cents, 0.0, v.area, full))
            kinds.append((first, len(rows)))
    carriers: list[tuple[float, ...]] = []
    lanes: list[tuple[int, int]] = []
    for line in lines:
        for site in range(n_sites):
            # Weight in half kilograms is exact for whole pieces of one kilogram, so the price is a price a piece.
            price = line.freight[site] if line.freight else 0.0
            lanes.append((len(carriers), len(carriers) + 1))
            carriers.append((0, price, 1.0, 1e18, 0.0, 0, 0, 0))
    shifts, staffed = [], []
    for site in range(n_sites):
        end = max((m.horizon for m in machines if m.site == site), default=0) or horizon
        shifts.append((site, site + 1))
        staffed.append((0, end, 0))
    return Shop(
        lines=table(
            LINE,
            [
                (x.quantity, 0, i, i, 0, x.release, x.due, x.due, x.late_cents, 1.0, 0.0, 0, 0, 0, int(x.may_split))
                for i, x in enumerate(lines)
            ],
        ),
        gates=table(
            GATE,
            [(int(not x.sites or s in x.sites), 0, NEVER) for x in lines for s in range(n_sites)],
            (len(lines), n_sites),
        ),
        alloy_of=np.zeros(1, dtype=np.int64),
        machines=table(
            MACHINE,
            [
                (m.site, m.model, 0, -1, 0, 0, 60.0 * m.setup_min, 60.0 * m.layer_min, 0.0, m.area, m.plate, 0, 0)
                for m in machines
            ],
        ),
        rates=table(RATE, [(1, m.start_cents, 0.0, 0.0, 1.0, 0.0, 0.0, 0) for m in machines], (len(machines), 1)),
        changes=table(CHANGE, [(0, 0)] * (2 * len(machines)), (len(machines), 2, 1)),
        stops=table(STRETCH, []),
        variants=table(VARIANT, rows),
        kinds=table(SPAN, kinds, (len(lines), n_models)),
        staffed=table(STRETCH, staffed),
        shifts=table(SPAN, shifts),
        steps=table(STEP, []),
        plate_steps=table(SPAN, [(0, 0)] * n_sites, (n_sites, 1)),
        lot_steps=table(SPAN, [(0, 0)] * n_sites, (1, n_sites)),
        offers=table(OFFER, []),
        trips=table(TRIP, []),
        trip_spans=table(SPAN, []),
        carriers=table(CARRIER, carriers),
        lanes=table(SPAN, lanes, (len(lines), n_sites)),
        posts=table(POST, [(t, t) for t in range(horizon + 1)]),
        post_spans=table(SPAN, [(0, horizon + 1)]),
        calendar_of=np.zeros(len(lines), dtype=np.int64),
        days_before=np.zeros((1, 1), dtype=np.int64),
        business=np.zeros((1, 1), dtype=np.int64),
        common=table(COMMON, [(0, 0.0, 0.0, 0.0, 0.0, 1.0)]),
    )
