"""Long, tall and bulky parts: what only some machines can hold."""

from __future__ import annotations

import math

import numpy as np
from manifold3d import Manifold

from scenarios.solids.forms import (
    bore,
    box,
    cut,
    cylinder,
    prism,
    ring,
    rod,
    slab,
    tube,
    turned,
    union,
)
from scenarios.solids.outlines import blade_thickness, disc, join, ribbon, rounded


def sampling_lance_rod() -> Manifold:
    """A sampling lance, 236 mm long and 14 mm across: inner bore, spiral side ports, spear tip, hexagon head."""
    body = union(
        [
            cylinder(6, 8, 216, 32),
            bore((0, 0), 8.1, 0, 9, 6),
            turned([(0, 214), (6, 214), (6.6, 218), (4, 226), (1, 236), (0, 236)], 32),
            *[cylinder(6.6, z, z + 2.4, 32) for z in (12, 60, 110, 160)],
        ]
    )
    ports = [rod((0, 0, 168 + 4.4 * i), (9, 0, 170.5 + 4.4 * i), 1.0, 12).rotate((0, 0, 75.0 * i)) for i in range(10)]
    flutes = []
    for start in (0.0, math.pi):
        a = np.linspace(0, 2.6 * math.pi, 40)
        flutes.append(
            tube(np.column_stack([6.7 * np.cos(a + start), 6.7 * np.sin(a + start), np.linspace(66, 106, 40)]), 1.2, 10)
        )
    return cut(body, cylinder(3.2, -1, 214, 24), *ports, *flutes)


def static_mixer_lance() -> Manifold:
    """A static mixer lance, 342 mm tall: eight alternating helical elements in a caged tube with end flanges."""
    elements = []
    height = 36.0
    for i in range(8):
        s, t = np.meshgrid(np.linspace(0, 1, 15), np.linspace(-1, 1, 9), indexing="ij")
        turn = np.radians(180.0 * s * (1 if i % 2 else -1) + 90.0 * i)
        grid = np.stack([15.4 * t * np.cos(turn), 15.4 * t * np.sin(turn), 20 + height * (i + s * 1.02)], axis=-1)
        elements.append(slab(grid, 2.0))
    tubewall = cut(cylinder(17, 6, 336, 56), cylinder(15, 5, 340, 56))
    windows = []
    for i in range(8):
        for side in range(4):
            window = Manifold.batch_hull(
                [
                    rod((0, 0, 30 + height * i), (30, 0, 30 + height * i), 4.4, 20),
                    rod((0, 0, 46 + height * i), (30, 0, 46 + height * i), 4.4, 20),
                ]
            )
            windows.append(window.rotate((0, 0, 90.0 * side + 45 * (i % 2))))
    cage = cut(tubewall, *windows)
    flange = cut(cylinder(30, 0, 8, 64), cylinder(15, -1, 9, 56), *ring(bore((24, 0), 3.3, -1, 9, 20), 6))
    collar = cut(union([cylinder(19, 322, 342, 56), bore((0, 0), 22, 330, 338, 6)]), cylinder(15, 320, 350, 56))
    ribs = [
        Manifold.batch_hull([box((16, -1.2, 6), (27, 1.2, 8)), box((16, -1.2, 22), (17.5, 1.2, 24))]).rotate(
            (0, 0, 60.0 * k + 30)
        )
        for k in range(6)
    ]
    return union([cage, flange, collar, *ribs, *[e ^ cylinder(16, 0, 340, 56) for e in elements]])


def pump_casing_cover() -> Manifold:
    """A casing cover, 234 mm across: bolted rim, domed wall, curved ribs, seal chamber with flush ports."""
    shell = turned(
        [
            (31, 46),
            (31, 20),
            (60, 14),
            (92, 8),
            (95, 0),
            (117, 0),
            (117, 14),
            (100, 16),
            (94, 17),
            (62, 23.5),
            (46, 28),
            (44, 46),
        ],
        112,
    )
    s = np.linspace(0, 1, 14)
    ribs = []
    line = np.column_stack([(40 + 68 * s) * np.cos(0.35 * s), (40 + 68 * s) * np.sin(0.35 * s)])
    web = ribbon(line, 5.0).extrude(30).translate((0, 0, 13))
    limit = turned([(40, 10), (115, 10), (115, 14), (104, 17), (46, 42), (40, 42)], 96)
    ribs = ring(web ^ limit, 9)
    bolts = ring(bore((109, 0), 5.5, -1, 20, 24), 12, 15)
    facing = ring(bore((109, 0), 9.5, 12.5, 20, 32), 12, 15)
    studs = ring(bore((38, 0), 3.4, 30, 60, 20), 4, 45)
    ports = [
        union([rod((40, 0, 34), (62, 0, 36), 9, 28), rod((60, 0, 35.8), (64, 0, 36.2), 11, 6)]).rotate((0, 0, a))
        for a in (20, 200)
    ]
    drills = [rod((20, 0, 32), (90, 0, 38.5), 4.2, 24).rotate((0, 0, a)) for a in (20, 200)]
    groove = cut(cylinder(101, -1, 3, 112), cylinder(97.5, -2, 4, 112))
    jacks = ring(bore((113, 0), 2.6, -1, 20, 16), 3, 0)
    return cut(union([shell, *ribs, *ports]), *bolts, *facing, *studs, *drills, groove, *jacks)


def vaned_diffuser_ring() -> Manifold:
    """A diffuser ring, 212 mm: two thin rings tied by fifteen airfoil vanes."""
    s = np.linspace(0, 1, 22)
    thickness = blade_thickness(22, 7.5, 1.0)
    radius = 66 + 34 * s
    angle = 0.95 * np.log(radius / 66) * 2.2
    vane = prism(ribbon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]), thickness), 3, 19)
    lower = turned([(62, 0), (106, 0), (106, 4), (62, 4)], 128)
    upper = turned([(64, 18), (102, 18), (102, 21), (72, 21), (64, 20)], 128)
    lip = turned([(58, -6), (62, -6), (63, 0), (63, 4), (61, 4), (58, 0)], 128)
    return cut(union([lower, upper, lip, *ring(vane, 15)]), *ring(bore((103, 0), 2.3, -1, 8, 16), 10))


def gearbox_housing_half() -> Manifold:
    """Half a small gearbox, 176 x 118 mm: bearing bosses, curved wall, ribs, sump, bolting flange."""
    trace = join([disc(56, (0, 0), 64), disc(42, (62, 4), 56), disc(26, (34, -34), 40)])
    outer = rounded(trace, 2, 14)
    wall = prism(outer, 0, 46) - prism(outer.offset(-4.0, circular_segments=24), 4, 60)
    flange = prism(outer.offset(9, circular_segments=24) - outer.offset(-3.0, circular_segments=24), 40, 46)
    bolts = []
    lugs = []
    for contour in outer.offset(5.0, circular_segments=24).to_polygons():
        line = np.asarray(contour)
        gaps = np.linalg.norm(np.roll(line, -1, axis=0) - line, axis=1)
        walk = np.concatenate([[0.0], np.cumsum(gaps)])
        for stop in np.linspace(0, walk[-1], 13)[:-1]:
            k = int(np.searchsorted(walk, stop, side="right") - 1)
            spot = line[k] + (line[(k + 1) % len(line)] - line[k]) * (stop - walk[k]) / gaps[k]
            bolts.append(bore((float(spot[0]), float(spot[1])), 3.0, 20, 60, 20))
            lugs.append(
                Manifold.batch_hull(
                    [
                        bore((float(spot[0]), float(spot[1])), 6.4, 34, 46, 24),
                        bore((float(spot[0]) * 0.93 + 2, float(spot[1]) * 0.9), 2.5, 14, 46, 16),
                    ]
                )
            )
    cavity = prism(outer.offset(-4.0, circular_segments=24), 4, 60)
    seats, drills = [], []
    for x, y, r in ((0.0, 0.0, 24.0), (62.0, 4.0, 18.0)):
        seats.append(bore((x, y), r + 6, -9, 22, 56))
        drills += [bore((x, y), r, 3, 60, 56), bore((x, y), r - 6, -20, 60, 48)]
        for k in range(8):
            a = math.radians(45 * k + 22)
            seats.append(
                Manifold.batch_hull([box((r + 2, -1.5, 0), (r + 5, 1.5, 18)), box((r + 20, -1.5, 0), (r + 24, 1.5, 6))])
                .rotate((0, 0, math.degrees(a)))
                .translate((x, y, 0))
                ^ prism(outer.offset(-1.0), -20, 60)
            )
    feet = [
        Manifold.batch_hull([box((x - 12, -70, 8), (x + 12, -64, 36)), box((x - 5, -46, 12), (x + 5, -44, 32))])
        for x in (-34, 74)
    ]
    feet[1] = feet[1].translate((-6, 6, 0))
    holes = [rod((x, -90, 22), (x, -55, 22), 4.2, 20) for x in (-34, 68)]
    drain = rod((34, -80, 14), (34, -40, 14), 5, 24)
    nose = rod((34, -66, 14), (34, -54, 14), 9, 6)
    return cut(
        union([wall, flange, *seats, *[cut(p, cavity) for p in [*lugs, *feet, nose]]]), *drills, *bolts, *holes, drain
    )
