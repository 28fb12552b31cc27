"""Moulding and handling tools with cooling that follows the surface."""

from __future__ import annotations

import math

import numpy as np
from manifold3d import Manifold

from scenarios.solids.forms import (
    bore,
    box,
    cut,
    cylinder,
    limb,
    prism,
    ring,
    rod,
    smooth_path,
    soft_block,
    tube,
    turned,
    union,
)
from scenarios.solids.outlines import plate, rounded, tapered_bar


def core_insert_conformal() -> Manifold:
    """A bottle-cap core, 96 mm tall: a helical water channel under the skin, central return, foot with seal groove."""
    body = turned(
        [(0, 0), (27, 0), (27, 12), (24, 13), (24, 30), (19.5, 32), (18, 84), (16, 92), (11, 96), (0, 96)], 72
    )
    turns = np.linspace(0, 4.5 * 2 * math.pi, 120)
    height = 30 + 56 * turns / turns[-1]
    wind = 13.2 - 1.6 * turns / turns[-1]
    coil = np.column_stack([wind * np.cos(turns), wind * np.sin(turns), height])
    inlet = smooth_path([(17, 0, -4), (17, 0, 8), (16, -1, 20), (13.8, -2.5, 26.5)], 4)
    top = smooth_path([tuple(coil[-1]), (-9, 5.0, 88.5), (-3, 4.5, 88.5), (0, 0, 82), (0, 0, 60)], 5)[1:]
    water = tube(np.vstack([inlet[:-1], coil, top, [(0, 0, -4)]]), 2.4, 12)
    groove = cut(cylinder(10.5, -1, 1.8, 48), cylinder(7.5, -2, 3, 48))
    shoulder = union(
        [
            cut(cylinder(19.2, 70, 72.4, 72), cylinder(15, 60, 90, 72)),
            cut(cylinder(19.4, 62, 64.4, 72), cylinder(15, 60, 90, 72)),
        ]
    )
    key = box((20, -30, -1), (40, 30, 9)).translate((4.2, 0, 0))
    return cut(union([body, shoulder]), water, groove, key)


def cavity_insert_conformal() -> Manifold:
    """A cavity half, 110 x 74 mm: a dished pocket and a serpentine channel that follows its floor."""
    body = soft_block((0, 0, 0), (110, 74, 38), 2.0)
    pocket = Manifold.batch_hull(
        [Manifold.sphere(14, 40).translate((x, y, 34)) for x, y in ((26, 24), (84, 24), (84, 50), (26, 50))]
        + [Manifold.sphere(8, 32).translate((55, 37, 26))]
    )
    ridge = limb([(20, 37, 20), (55, 37, 24), (90, 37, 20)], [3, 4, 3], 20)
    course: list[tuple[float, float, float]] = [(-8, 10, 10), (6, 10, 10)]
    for i, x in enumerate((14, 27, 40, 53, 66, 79, 92)):
        dip = 11.5 - 2.5 * math.cos((x - 53) / 40 * math.pi / 2)
        ends: list[tuple[float, float, float]] = [(x, 12, 21), (x, 24, dip), (x, 50, dip), (x, 62, 21)]
        course += ends if i % 2 == 0 else ends[::-1]
    course += [(104, 64, 12), (120, 64, 10)]
    water = tube(smooth_path(course, 5), 2.8, 12)
    pillars = [bore((x, y), 4.2, -1, 50, 32) for x, y in ((9, 66), (101, 8))]
    ejectors = [bore((x, 37), 2.0, -1, 40, 16) for x in (33.5, 72.5)]
    gate = rod((55, -1, 38), (55, 20, 36), 3.0, 20)
    return cut(union([cut(body, pocket), ridge ^ body]), water, *pillars, *ejectors, gate)


def sprue_bushing_cooled() -> Manifold:
    """A sprue bush, 84 mm: tapered runner, spherical nozzle seat, double-helix cooling."""
    body = turned([(0, 0), (14, 0), (14, 62), (15.5, 64), (15.5, 68), (26, 69), (28, 71), (28, 84), (0, 84)], 72)
    runner = union(
        [Manifold.cylinder(90, 4.6, 2.2, 32).translate((0, 0, -2)), Manifold.sphere(20, 64).translate((0, 0, 99.5))]
    )
    channels = []
    for start in (0.0, math.pi):
        turns = np.linspace(0, 3.5 * 2 * math.pi, 90)
        down = np.column_stack([9.2 * np.cos(turns + start), 9.2 * np.sin(turns + start), 66 - 56 * turns / turns[-1]])
        entry = smooth_path(
            [
                (34 * math.cos(start), 34 * math.sin(start), 76),
                (24 * math.cos(start), 24 * math.sin(start), 76),
                (14 * math.cos(start), 14 * math.sin(start), 72.5),
            ],
            5,
        )
        channels.append(tube(np.vstack([entry, down]), 1.7, 12))
    link = tube(
        np.column_stack(
            [
                9.2 * np.cos(np.linspace(3.5 * 2 * math.pi, 4.5 * 2 * math.pi, 40)),
                9.2 * np.sin(np.linspace(3.5 * 2 * math.pi, 4.5 * 2 * math.pi, 40)),
                np.full(40, 10.0),
            ]
        )[:21],
        1.7,
        12,
    )
    bolts = [
        union([bore((21.5, 0), 2.2, 60, 90, 20), bore((21.5, 0), 4.0, 79.5, 90, 24)]).rotate((0, 0, t))
        for t in (60, 120, 240, 300)
    ]
    return cut(body, runner, *channels, link, *bolts)


def gripper_finger_hollow() -> Manifold:
    """A handling finger, 92 mm: bent hollow arm with air gallery, fin-ray ribs and a suction face."""
    spine = smooth_path([(0, 0, 0), (0, 0, 22), (8, 0, 46), (26, 0, 66), (52, 0, 74)], 8)
    taper = np.linspace(9.0, 6.0, len(spine))
    skin = tube(spine, taper, 28)
    air = tube(
        np.vstack([[(0, 0, -6)], spine[:-3]]), np.concatenate([[5.0], np.linspace(7.2, 3.0, len(spine) - 3)]), 20
    )
    foot = union(
        [prism(plate(34, 26, 5), 0, 6), Manifold.batch_hull([prism(plate(20, 20, 6), 5, 6), cylinder(9.2, 12, 13, 40)])]
    )
    cup = (
        turned([(0, -2), (6, -2), (7.5, 2), (12, 9), (12.6, 12), (10.8, 12), (6, 5), (0, 5)], 48)
        .rotate((0, 98, 0))
        .translate((50, 0, 73.6))
    )
    web = prism(rounded(tapered_bar((0, 0), 2, (30, 0), 2), 0.5, 0), -1.5, 1.5).rotate((90, 0, 0))
    rib = Manifold.batch_hull(
        [web.scale((0.3, 1, 0.8)).translate((-12, 0, 7)), web.scale((0.1, 1, 0.8)).translate((2, 0, 44))]
    )
    ports = [rod((52, 0, 74), (80, 0, 78), 1.6, 16), rod((40, 0, 70.5), (62, 0, 76), 2.2, 16)]
    holes = [bore((x, y), 2.2, -1, 10, 20) for x in (-13, 13) for y in (-9, 9)]
    return cut(union([skin, foot, cup, rib]), air, *ports, *holes)


def extrusion_die_pasta() -> Manifold:
    """A food extrusion die, 68 mm: seven nests, each a pin on three legs inside a shaped opening."""
    body = turned([(0, 0), (34, 0), (34, 14), (31, 16), (31, 22), (0, 22)], 80)
    nests = []
    for x, y in [(0.0, 0.0)] + [
        (19.5 * math.cos(a), 19.5 * math.sin(a)) for a in np.linspace(0, 2 * math.pi, 6, endpoint=False)
    ]:
        throat = turned([(0, 8), (5.0, 8), (6.4, 12), (7.6, 30), (0, 30)], 32)
        mouth = cylinder(5.0, -1, 9, 32)
        pin = union([cylinder(3.6, -0.5, 16, 24), Manifold.cylinder(3, 3.6, 1.0, 24).translate((0, 0, 16))])
        legs = ring(box((0, -0.8, 9.5), (7.5, 0.8, 15)), 3, 30)
        grooves = ring(bore((3.4, 0), 0.55, -1, 6, 10), 6)
        nests.append(cut(union([throat, mouth]), cut(union([pin, *legs]), *grooves)).translate((x, y, 0)))
    holes = ring(bore((31.2, 0), 1.4, -1, 30, 16), 6, 30)
    return cut(body, *nests, *holes)
