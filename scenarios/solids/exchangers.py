"""Heat exchangers, headers and fluid manifolds: thin walls round branching passages."""

from __future__ import annotations

import math

import numpy as np
from manifold3d import CrossSection, Manifold

from scenarios.solids.forms import (
    bore,
    box,
    circle_points,
    cut,
    cylinder,
    limb,
    loft,
    prism,
    ring,
    rod,
    smooth_path,
    sweep,
    tube,
    turned,
    union,
)
from scenarios.solids.outlines import disc, join, plate, rounded


def gyroid_exchanger_core() -> Manifold:
    """A gyroid exchanger core, 38 mm each way: one continuous wall between two mingled flow spaces, open frame."""
    cell, wall, half = 18.0, 1.4, 18.0
    k = 2 * math.pi / cell

    def field(x: float, y: float, z: float) -> float:
        a, b, c = x * k, y * k, z * k
        value = math.sin(a) * math.cos(b) + math.sin(b) * math.cos(c) + math.sin(c) * math.cos(a)
        # The gradient of the gyroid is about 1.2 to 1.7 k near its zero surface; 1.5 k turns value into millimetres.
        return value / (1.5 * k)

    bounds = [-19.5, -19.5, -19.5, 19.5, 19.5, 19.5]
    sides = [Manifold.level_set(field, bounds, 2.75, level) for level in (-wall / 2, wall / 2)]
    sheet = (sides[0] - sides[1]) ^ box((-half, -half, -half), (half, half, half))
    bars = []
    for u in (-half, half):
        for v in (-half, half):
            corner = box((-half - 1, u - 1.2, v - 1.2), (half + 1, u + 1.2, v + 1.2))
            bars += [corner, corner.rotate((0, 0, 90)), corner.rotate((0, 90, 0))]
    whole = union([sheet, *bars])
    return max(whole.decompose(), key=lambda piece: piece.volume())


def tube_bundle_exchanger() -> Manifold:
    """A tube bundle, 150 mm long: nineteen twisted oval tubes between two sheets inside an open-sided shell."""
    spots = [(0.0, 0.0)]
    for count, radius in ((6, 11.0), (12, 21.5)):
        spots += [
            (radius * math.cos(a), radius * math.sin(a))
            for a in np.linspace(0, 2 * math.pi, count, endpoint=False) + 0.26
        ]

    def lane(x: float, y: float, half: float, low: float, high: float) -> Manifold:
        rings = []
        for t in np.linspace(0, 1, 15):
            flat = circle_points(half, 12) * np.array([1.22, 0.82])
            turn = math.radians(270 * t)
            spin = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
            rings.append(np.column_stack([flat @ spin + np.array([x, y]), np.full(12, low + (high - low) * t)]))
        return loft(rings)

    sheets = [cylinder(31, low, low + 5, 72) for low in (0.0, 145.0)]
    flanges = [cut(cylinder(37, low, low + 4, 72), cylinder(29, low - 1, low + 6, 72)) for low in (0.0, 146.0)]
    baffles = []
    for i, z in enumerate((38.0, 75.0, 112.0)):
        baffle = cylinder(29.2, z, z + 1.6, 72)
        baffles.append(cut(baffle, box((14 if i % 2 else -40, -40, z - 1), (40 if i % 2 else -14, 40, z + 3))))
    shell = cut(cylinder(31, 2, 148, 72), cylinder(29, 1, 149, 72))
    shell = cut(shell, Manifold.batch_hull([rod((0, -40, z), (0, 0, z), 17, 40) for z in (55, 95)]))
    nozzles, ports = [], []
    for z, side in ((20.0, 1), (130.0, -1)):
        nozzles.append(
            union(
                [rod((28 * side, 0, z), (46 * side, 0, z), 10, 32), rod((43 * side, 0, z), (47 * side, 0, z), 15, 32)]
            )
        )
        ports.append(rod((24 * side, 0, z), (60 * side, 0, z), 8, 32))
    tubes = [lane(x, y, 4.2, 1, 149) for x, y in spots]
    bores = [lane(x, y, 3.3, -1, 151) for x, y in spots]
    bolts = [b for low in (-1.0, 140.0) for b in ring(bore((34, 0), 1.7, low, low + 12, 16), 8)]
    body = cut(union([*sheets, *flanges, shell, *nozzles]), *ports)
    return cut(union([body, *tubes, *baffles]), *bores, *bolts)


def exchanger_header() -> Manifold:
    """A header, 120 mm wide: a round port spreading through a fan with guide vanes to a long slot flange."""

    def fan(grow: float, low: float, high: float) -> Manifold:
        rings = []
        around = np.linspace(0, 2 * math.pi, 48, endpoint=False)
        for t in np.linspace(0, 1, 16):
            s = 3 * t**2 - 2 * t**3
            power = 1.0 - 0.72 * s
            c, d = np.cos(around), np.sin(around)
            x = (14 + (52 - 14) * s + grow) * np.sign(c) * np.abs(c) ** power
            y = (14 + (9 - 14) * s + grow) * np.sign(d) * np.abs(d) ** power
            lean = 16 * math.sin(0.5 * math.pi * t)
            rings.append(np.column_stack([x, y + lean, np.full(48, low + (high - low) * t)]))
        return loft(rings)

    skin, hollow = fan(1.6, 0, 62), fan(0.0, -0.01, 62.01)
    port = cut(
        union([cylinder(15.6, -22, 1, 48), cylinder(22, -22, -17, 48)]),
        cylinder(14, -30, 2, 48),
        *ring(bore((18.6, 0), 1.8, -30, 0, 16), 6),
    )
    flange = prism(plate(126, 40, 8).translate((0, 16)), 60, 66)
    window = prism(rounded(plate(104, 18, 3).translate((0, 16)), 1, 0), 50, 70)
    guides = []
    for share in (-0.6, -0.2, 0.2, 0.6):
        path = smooth_path([(share * 13, 4, 10), (share * 20, 9, 28), (share * 42, 14, 46), (share * 47, 16, 61)], 6)
        blade = sweep(path, np.array([[-0.5, -16], [0.5, -16], [0.5, 16], [-0.5, 16]])[::1])
        guides.append(blade ^ fan(0.8, 0, 62))
    bolts = [bore((x, y), 2.2, 50, 80, 20) for x in (-54, -18, 18, 54) for y in (1, 31)] + [
        bore((x, 16), 2.2, 50, 80, 20) for x in (-58, 58)
    ]
    return cut(union([cut(union([skin, flange]), hollow, window, *bolts), port, *guides]), cylinder(13.9, -30, 1, 48))


def pin_fin_cold_plate() -> Manifold:
    """A cold plate half, 96 x 64 mm: teardrop pins between manifold troughs, barbed ports at both ends."""
    body = prism(plate(96, 64, 8), 0, 9)
    pool = prism(rounded(plate(82, 50, 6), 1, 0), 3, 12)
    drop = join([CrossSection.batch_hull([disc(1.6, segments=16), disc(0.4, (3.4, 0), 8)])])
    pins = [
        prism(drop.translate((-30 + 6.2 * i, -21.5 + 4.7 * j + (2.35 if i % 2 else 0))), 2, 9)
        for i in range(10)
        for j in range(10)
    ]
    rim = prism(plate(90, 58, 7) - plate(87.4, 55.4, 6), 7.6, 12)
    barbs, holes = [], []
    for side in (-1, 1):
        barb = turned([(0, 0), (4, 0), (4, 8), (5, 8), (4, 12), (5, 12), (4, 16), (5, 16), (3.8, 21), (0, 21)], 32)
        barbs.append(barb.rotate((0, 90 * side, 0)).translate((45 * side, 0, 6)))
        holes.append(rod((36 * side, 0, 6), (80 * side, 0, 6), 2.8, 20))
    fixings = [bore((x, y), 1.7, -1, 12, 16) for x in (-44, 44) for y in (-28, 28)]
    body = union([cut(body, pool), *[p ^ prism(plate(82.4, 50.4, 6), 0, 9) for p in pins], *barbs])
    return cut(body, *holes, *fixings, rim)


def hydraulic_manifold_branched() -> Manifold:
    """A branched hydraulic manifold: one supply trunk dividing smoothly into four ports on a common rail."""
    joints: list[tuple[list[tuple[float, float, float]], list[float]]] = [
        ([(0, 0, 0), (0, 0, 26), (0, 4, 44)], [12, 12, 11]),
        ([(0, 4, 44), (-16, 8, 60), (-26, 10, 74)], [11, 9, 8.5]),
        ([(0, 4, 44), (16, 8, 60), (26, 10, 74)], [11, 9, 8.5]),
        ([(-26, 10, 74), (-40, 4, 88), (-45, -4, 108)], [8.5, 7.5, 7.5]),
        ([(-26, 10, 74), (-17, 4, 90), (-15, -4, 108)], [8.5, 7.5, 7.5]),
        ([(26, 10, 74), (17, 4, 90), (15, -4, 108)], [8.5, 7.5, 7.5]),
        ([(26, 10, 74), (40, 4, 88), (45, -4, 108)], [8.5, 7.5, 7.5]),
        ([(0, 4, 44), (-4, -16, 40), (-6, -34, 46)], [9, 7, 6.5]),
    ]
    skin = [limb(p, r, 20) for p, r in joints]
    wall = 3.0
    hollow = [limb(p, [v - wall for v in r], 16) for p, r in joints]
    ends = [cylinder(9, -20, 4, 32), rod((-6, -30, 44.5), (-6, -60, 52), 4, 20)]
    tops, threads = [], []
    for x in (-45.0, -15.0, 15.0, 45.0):
        tops.append(bore((x, -4), 11.5, 106, 122, 6))
        threads += [bore((x, -4), 4.5, 100, 130, 24), bore((x, -4), 8.2, 112, 130, 32)]
    rail = [
        Manifold.batch_hull([bore((x, -4), 3, 108, 113, 16), bore((x + 30, -4), 3, 108, 113, 16)])
        for x in (-45, -15, 15)
    ]
    base = union(
        [
            Manifold.batch_hull([bore((x, y), 7, -14, -6, 24) for x in (-20, 20) for y in (-20, 20)]),
            cylinder(16, -7, 2, 40),
        ]
    )
    side = union([rod((-6, -32, 45.5), (-6, -46, 48.5), 9.5, 6)])
    strut = [limb([(x, 18, -10), (x * 0.7, 14, 30), (x * 1.3, 10, 62)], [3.2, 2.8, 3.2], 12) for x in (-17, 17)]
    bolts = [bore((x, y), 3.3, -30, 0, 20) for x in (-20, 20) for y in (-20, 20)]
    return cut(union([*skin, *tops, *rail, base, side, *strut]), *hollow, *ends, *threads, *bolts)


def exhaust_collector_four() -> Manifold:
    """A thin-wall collector: four pipes on a common flange merging into one outlet, wall 1.5 mm."""
    outer, inner, pads, bolts = [], [], [], []
    for i, x in enumerate((-66.0, -22.0, 22.0, 66.0)):
        lane = smooth_path(
            [(x, 0, 0), (x, 2, 16), (x * 0.82, 14, 40), (x * 0.36, 36, 70), (x * 0.16, 52, 96), (x * 0.12, 58, 116)], 5
        )
        outer.append(tube(lane, 13.5, 20))
        inner.append(tube(np.vstack([[(x, 0, -4)], lane]), 12.0, 20))
        pads.append(
            CrossSection.batch_hull(
                [disc(18, (x, 0)), disc(6.5, (x - 16, 17 if i % 2 else -17)), disc(6.5, (x + 16, -17 if i % 2 else 17))]
            )
        )
        bolts += [
            bore((x - 16, 17 if i % 2 else -17), 3.4, -10, 10, 20),
            bore((x + 16, -17 if i % 2 else 17), 3.4, -10, 10, 20),
        ]
    flange = prism(join([*pads, CrossSection.batch_hull([disc(9, (-66, 0)), disc(9, (66, 0))])]), -2, 4)
    bell = [
        np.column_stack([circle_points(r, 40) + np.array([0, y]), np.full(40, z)])
        for r, y, z in ((22.5, 57.5, 106), (23, 58, 116), (21.5, 59, 126), (18.5, 60, 136), (18.5, 60, 150))
    ]
    core = [
        np.column_stack([circle_points(r - 1.5, 40) + np.array([0, y]), np.full(40, z)])
        for r, y, z in ((22.5, 57.5, 106.5), (23, 58, 116), (21.5, 59, 126), (18.5, 60, 136), (18.5, 60, 153))
    ]
    outlet = union([cut(cylinder(30, 146, 151, 48), *ring(bore((25, 0), 3, 140, 160, 16), 3))]).translate((0, 60, 0))
    return cut(union([*outer, flange, loft(bell), outlet]), *inner, loft(core), *bolts)
