"""Pump spares: impellers, an inducer, a volute throat."""

from __future__ import annotations

import math

import numpy as np
from manifold3d import Manifold

from scenarios.solids.forms import (
    Points,
    bore,
    box,
    circle_points,
    cut,
    cylinder,
    loft,
    prism,
    ring,
    slab,
    turned,
    union,
)
from scenarios.solids.outlines import sector


def _vane(r_in: float, r_out: float, wrap_deg: float, low: float, high: float, lean_deg: float, rows: int) -> Points:
    """A backward-curved vane surface ``(stations, rows, 3)``; the upper edge leans ahead by ``lean_deg`` at the eye."""
    along = np.linspace(0.0, 1.0, 18)
    up = np.linspace(0.0, 1.0, rows)
    s, t = np.meshgrid(along, up, indexing="ij")
    radius = r_in + (r_out - r_in) * s
    angle = np.radians(wrap_deg * s**0.9 + lean_deg * t * (1.0 - s) ** 1.5)
    return np.stack([radius * np.cos(angle), radius * np.sin(angle), low + (high - low) * t], axis=-1)


def pump_impeller_closed() -> Manifold:
    """A closed impeller, 140 mm: hub plate, front shroud with neck ring, six backward-curved vanes, keyed bore."""
    hub = turned([(0, 0), (70, 0), (70, 3.2), (48, 5.0), (30, 11), (20, 24), (17, 34), (0, 34)], 96)
    shroud = turned(
        [(70, 13), (70, 16), (52, 19), (44, 26), (40.5, 34), (40.5, 46), (36.5, 46), (36.5, 33), (41, 24), (50, 16.2)],
        96,
    )
    passage = turned(
        [(18, 26), (21, 23), (31, 10), (49, 4.5), (70, 2.5), (70, 13.6), (50, 17), (41.5, 24.5), (37.5, 34), (22, 32)],
        96,
    )
    vane = slab(_vane(23, 71, -115, 1, 40, -18, 6), 2.6) ^ passage
    back_ring = cut(cylinder(40.5, -9, 1, 96), cylinder(36.5, -10, 2, 96))
    body = union([hub, shroud, back_ring, *ring(vane, 6)])
    keyway = box((-2.5, 0, -1), (2.5, 12.8, 60))
    balance = ring(bore((27, 0), 2.5, -5, 20), 6, 30)
    return cut(body, cylinder(10, -1, 60), keyway, *balance)


def pump_impeller_open() -> Manifold:
    """A half-open impeller, 92 mm, seven twisted vanes with splitters."""
    hub = turned([(0, 0), (46, 0), (46, 2.4), (34, 4), (22, 10), (14, 21), (12, 30), (0, 30)], 96)
    passage = turned([(11, 29), (13, 21), (21, 9.5), (33, 3.5), (46, 2), (46, 8.5), (33, 13), (27, 21), (25, 29)], 96)
    long_vane = slab(_vane(12, 47, -75, 0, 32, 38, 8), 1.8) ^ passage
    splitter = slab(_vane(12, 47, -75, 0, 32, 38, 8)[8:], 1.4) ^ passage
    vanes = ring(long_vane, 7) + ring(splitter, 7, 360 / 14)
    return cut(union([hub, *vanes]), cylinder(6, -1, 40), bore((0, 0), 9, 26, 31, 6))


def inducer_three_blade() -> Manifold:
    """An axial inducer, 72 mm: three thin helical blades on a tapering hub, swept inlet edge."""
    hub = turned([(0, 0), (17, 0), (16, 20), (13, 40), (9, 56), (3, 63), (0, 64)], 64)
    turn = np.linspace(0.0, 1.0, 44)
    reach = np.linspace(0.0, 1.0, 7)
    s, t = np.meshgrid(turn, reach, indexing="ij")
    tip = 36.0 - 15.0 * np.clip((s - 0.72) / 0.28, 0, 1) ** 2
    radius = 7.0 + (tip - 7.0) * t
    angle = np.radians(300.0 * s)
    height = 4.0 + 46.0 * s**1.1 + 2.0 * (1 - t)
    blade = slab(np.stack([radius * np.cos(angle), radius * np.sin(angle), height], axis=-1), 2.6 - 1.3 * t)
    return cut(union([hub, *ring(blade, 3)]), cylinder(6, -1, 30), *ring(bore((11.5, 0), 1.6, -1, 9), 3))


def volute_tongue_insert() -> Manifold:
    """The throat of a spiral casing: the growing passage, its tongue and a bolting flange at the discharge."""
    angles = np.linspace(0.0, 255.0, 40)

    def spiral(wall: float, first: float, last: float) -> Manifold:
        rings = []
        for angle in np.linspace(first, last, 40):
            share = (angle + 60) / 315.0
            size = 5.0 + 13.0 * share + wall
            middle = 46.0 + 0.9 * (size - wall)
            direction = np.array([math.cos(math.radians(angle)), math.sin(math.radians(angle)), 0.0])
            flat = circle_points(size, 24) * np.array([1.0, 0.85])
            rings.append(middle * direction + flat[:, :1] * direction + flat[:, 1:] * np.array([0.0, 0.0, 1.0]))
        return loft(rings)

    outside, inside = spiral(3.0, 0, 250), spiral(0.0, -4, 251)
    end = math.radians(angles[-1] - 5)
    centre = np.array([math.cos(end), math.sin(end), 0.0]) * (46 + 0.9 * 17.8)
    ahead = np.array([-math.sin(end), math.cos(end), 0.0])
    across = np.array([math.cos(end), math.sin(end), 0.0])

    def neck(radius: float, start: float, stop: float, grow: float) -> Manifold:
        rings = []
        for step in np.linspace(start, stop, 8):
            flat = circle_points(radius + grow * step / 40, 24) * np.array([1.0, 0.85 + 0.15 * step / 40])
            rings.append(centre + step * ahead + flat[:, :1] * across + flat[:, 1:] * np.array([0.0, 0.0, 1.0]))
        return loft(rings)

    flange = neck(29, 36, 42, 0)
    holes = []
    for turn in range(4):
        angle = math.radians(45 + 90 * turn)
        spot = centre + 25.4 * (math.cos(angle) * across + math.sin(angle) * np.array([0.0, 0.0, 1.0]))
        flat = circle_points(2.2, 16)
        holes.append(
            loft([spot + d * ahead + flat[:, :1] * across + flat[:, 1:] * np.array([0.0, 0.0, 1.0]) for d in (20, 60)])
        )
    body = union([outside, neck(20.8, -1, 40, 2), flange])
    rim = cut(cylinder(50, -14, 14, 96), cylinder(44, -20, 20, 96))
    wedge = prism(sector(80, -12, 255), -20, 20)
    body = cut(body + (rim ^ wedge), inside, neck(17.8, -2, 60, 2), *holes)
    throat = cylinder(47.5, -4.5, 4.5, 96)
    return cut(body, throat)
