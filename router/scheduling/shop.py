"""The scheduling problem as arrays: lines, machines, plates' prices, calendars, carriers. Immutable once made.

MODEL.md beside this file states the problem in mathematics; the names there are the names here. A scenario is turned
into a ``Shop`` by router/planning; published instances of other problems are turned into one by their adapters. Money
is whole cents unless the name says ``rate`` or the type is a float; moments are whole minutes on one clock.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

Rows = npt.NDArray[np.void]
"""An array of records; the record type is named beside each field."""
Row = Any
"""One record of such an array."""

NEVER = 1 << 60
"""Later than every moment of a plan, dearer than every plan."""

ATTENDED, UNATTENDED, BOUGHT = 0, 1, 2
"""Kinds of step: people work on it; people start it and it runs by itself; an outside service does it."""

SPAN = np.dtype([("first", np.int64), ("last", np.int64)], align=True)
"""Rows ``first <= r < last`` of another table."""

LINE = np.dtype(
    [
        ("quantity", np.int64),
        ("powder", np.int64),
        ("kind", np.int64),
        ("place", np.int64),
        ("route", np.int64),
        ("release", np.int64),
        ("due_day", np.int64),
        ("pressed_from", np.int64),
        ("late_rate", np.float64),
        ("part_kg", np.float64),
        ("box_cm3", np.float64),
        ("coupons", np.int64),
        ("code", np.int64),
        ("own_plate", np.int64),
        ("may_split", np.int64),
    ],
    align=True,
)
"""``pressed_from``: unloaded after it, delay is taken to cost money (estimates only). ``code``: export code as a bit,
0 for none. ``late_rate``: cents a day for the whole line."""

GATE = np.dtype([("open", np.int64), ("start", np.int64), ("before", np.int64)], align=True)
"""Whether a site may build a line, and the window in which its runs may begin."""

MACHINE = np.dtype(
    [
        ("site", np.int64),
        ("model", np.int64),
        ("free_from", np.int64),
        ("loaded", np.int64),
        ("load_min", np.int64),
        ("unload_min", np.int64),
        ("setup_s", np.float64),
        ("recoat_s", np.float64),
        ("cooldown_s", np.float64),
        ("area_mm2", np.float64),
        ("plate", np.int64),
        ("stop_first", np.int64),
        ("stop_last", np.int64),
    ],
    align=True,
)
"""``model``: machines alike in what they can build. ``plate``: machines whose plates are the same. ``loaded``: alloy
at the start, -1 for none. ``area_mm2``: what ``VARIANT.area_mm2`` of all pieces cannot exceed."""

RATE = np.dtype(
    [
        ("open", np.int64),
        ("start_cents", np.float64),
        ("layer_cents", np.float64),
        ("exposure_cents_h", np.float64),
        ("melt_cents_kg", np.float64),
        ("coupon_exposure_h", np.float64),
        ("coupon_melt_kg", np.float64),
        ("coupon_layers", np.int64),
    ],
    align=True,
)
"""What builds of a powder cost on a machine, carbon included: start + layers + exposure + melted mass."""

CHANGE = np.dtype([("minutes", np.int64), ("cents", np.int64)], align=True)
"""A change of alloy; ``minutes`` is -1 where it is never made."""

STRETCH = np.dtype([("start", np.int64), ("end", np.int64), ("sum", np.int64)], align=True)
"""A half-open stretch of minutes; ``sum`` counts the minutes of the stretches before it."""

VARIANT = np.dtype(
    [
        ("shape", np.int64),
        ("layers", np.int64),
        ("exposure_h", np.float64),
        ("melt_kg", np.float64),
        ("support_cm3", np.float64),
        ("area_mm2", np.float64),
        ("full", np.int64),
    ],
    align=True,
)
"""One piece in one orientation on one model of machine. ``full``: how many fill a plate; a guess until a plate has been
filled (the one thing of a shop that a search learns), 0 when not even one finds room."""

STEP = np.dtype(
    [
        ("kind", np.int64),
        ("once_min", np.float64),
        ("piece_min", np.float64),
        ("support_min", np.float64),
        ("fixed_cents", np.float64),
        ("minute_cents", np.float64),
        ("first", np.int64),
        ("last", np.int64),
    ],
    align=True,
)
"""A step after the plate: minutes ``once + pieces (piece + support cm3 x support)``; or offers ``first..last``."""

OFFER = np.dtype(
    [("lot_cents", np.float64), ("kg_cents", np.float64), ("codes", np.int64), ("trip", np.int64)], align=True
)
"""What an outside service asks; ``codes`` are the export codes it holds, ``trip`` its collections."""

TRIP = np.dtype([("moment", np.int64), ("back", np.int64)], align=True)
"""Ready no later than ``moment`` is collected then and is back at ``back``; sorted within a calendar."""

CARRIER = np.dtype(
    [
        ("base_cents", np.int64),
        ("kg_cents", np.float64),
        ("dim_cm3_kg", np.float64),
        ("max_kg", np.float64),
        ("carbon_cents_kg", np.float64),
        ("days", np.int64),
        ("post", np.int64),
        ("customs_cents", np.int64),
    ],
    align=True,
)
"""A carrier between one site and one place; ``post`` is its calendar of dispatches."""

POST = np.dtype([("moment", np.int64), ("day", np.int64)], align=True)
"""Ready no later than ``moment`` leaves on ``day``."""

COMMON = np.dtype(
    [
        ("day0", np.int64),
        ("mass_fraction", np.float64),
        ("fixed_kg", np.float64),
        ("void_factor", np.float64),
        ("coupon_area_mm2", np.float64),
        ("day_min", np.float64),
    ],
    align=True,
)


class Shop(NamedTuple):
    """The whole problem. Record types in brackets; L lines, S sites, K machines, G powders, A alloys."""

    lines: Rows
    """[LINE] (L,)"""
    gates: Rows
    """[GATE] (L, S)"""
    alloy_of: npt.NDArray[np.int64]
    """(G,) alloy of each powder; builds of one powder share plates, machines change between alloys."""
    machines: Rows
    """[MACHINE] (K,)"""
    rates: Rows
    """[RATE] (K, G)"""
    changes: Rows
    """[CHANGE] (K, A + 1, A): from (last row: nothing loaded) to."""
    stops: Rows
    """[STRETCH] planned stops, by machine, sorted."""
    variants: Rows
    """[VARIANT]"""
    kinds: Rows
    """[SPAN] (kinds, models): the variants of a kind of line on a model of machine."""
    staffed: Rows
    """[STRETCH] staffed time, by site, sorted."""
    shifts: Rows
    """[SPAN] (S,) rows of ``staffed``."""
    steps: Rows
    """[STEP]"""
    plate_steps: Rows
    """[SPAN] (S, A)"""
    lot_steps: Rows
    """[SPAN] (routes, S)"""
    offers: Rows
    """[OFFER]"""
    trips: Rows
    """[TRIP]"""
    trip_spans: Rows
    """[SPAN] (trip calendars,)"""
    carriers: Rows
    """[CARRIER]"""
    lanes: Rows
    """[SPAN] (places, S) rows of ``carriers``."""
    posts: Rows
    """[POST]"""
    post_spans: Rows
    """[SPAN] (dispatch calendars,)"""
    calendar_of: npt.NDArray[np.int64]
    """(places,) calendar of business days of each place."""
    days_before: npt.NDArray[np.int64]
    """(calendars, horizon): business days up to and including a day, counted from ``common.day0``."""
    business: npt.NDArray[np.int64]
    """(calendars, horizon): the n-th business day."""
    common: Rows
    """[COMMON] (1,)"""


def table(dtype: np.dtype[Any], rows: list[tuple[Any, ...]], shape: tuple[int, ...] | None = None) -> Rows:
    """Records as a contiguous array, reshaped when ``shape`` is given."""
    made = np.array(rows, dtype=dtype) if rows else np.zeros(0, dtype=dtype)
    return made if shape is None else made.reshape(shape)
