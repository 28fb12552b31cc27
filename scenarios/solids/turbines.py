"""Turbomachinery: blades, vanes, wheels, swirlers, burner and seal parts."""

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
    prism,
    ring,
    rod,
    slab,
    smooth_path,
    sweep,
    tube,
    turned,
    union,
)
from scenarios.solids.outlines import blade_thickness, polygon, rounded, sector


def _airfoil(chord: float, peak: float, camber_deg: float, stagger_deg: float, points: int = 22) -> Points:
    """A cambered section about its middle: a circular-arc camber line with a thickness law around it."""
    half = math.radians(camber_deg) / 2
    radius = chord / (2 * math.sin(half))
    angle = np.linspace(-half, half, points)
    line = np.column_stack([radius * np.sin(angle), radius * (np.cos(angle) - math.cos(half))])
    side = np.column_stack([np.sin(angle), np.cos(angle)]) * (0.5 * blade_thickness(points, peak, 0.7))[:, None]
    outline = np.vstack([line + side, (line - side)[-2:0:-1]])[::-1]
    turn = math.radians(stagger_deg)
    return np.asarray(outline @ np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]]))


def _blade(
    z_low: float,
    z_high: float,
    chord: tuple[float, float],
    peak: tuple[float, float],
    camber: tuple[float, float],
    stagger: tuple[float, float],
    rows: int = 14,
) -> Manifold:
    """An upright twisted airfoil between two heights; each pair is (root, tip)."""
    sheets = []
    for t in np.linspace(0.0, 1.0, rows):
        c, p, k, g = (a + (b - a) * t for a, b in (chord, peak, camber, stagger))
        flat = _airfoil(c, p, k, g)
        sheets.append(np.column_stack([flat, np.full(len(flat), z_low + (z_high - z_low) * t)]))
    index_mid = len(sheets[0]) // 2
    return _skin(sheets, index_mid)


def _skin(sheets: list[Points], middle: int) -> Manifold:
    """Close a stack of airfoil outlines with ladder caps (a fan would cross a strongly cambered section)."""
    from scenarios.solids.forms import solid_from

    stack = np.asarray(sheets)
    rows, around, _ = stack.shape
    index = np.arange(rows * around).reshape(rows, around)
    low, high = index[:-1], index[1:]
    faces = [
        np.stack([low, np.roll(low, -1, 1), np.roll(high, -1, 1)], axis=-1).reshape(-1, 3),
        np.stack([low, np.roll(high, -1, 1), high], axis=-1).reshape(-1, 3),
    ]
    ladder = []
    for i in range(middle):
        a, b, c, d = i, i + 1, (around - i - 1) % around, (around - i) % around
        if a != d:
            ladder.append((a, b, d))
        if b != c:
            ladder.append((b, c, d))
    cap = np.array(ladder)
    faces += [index[0][cap[:, ::-1]], index[-1][cap]]
    return solid_from(stack.reshape(-1, 3), np.vstack(faces))


def turbine_blade() -> Manifold:
    """A cooled rotor blade: three-lobe root, platform with shank pockets, twisted airfoil, five cooling passages."""
    half = [
        (3.0, 0),
        (4.4, 2.0),
        (4.6, 3.6),
        (3.6, 5.2),
        (5.8, 7.4),
        (6.0, 9.0),
        (4.8, 10.8),
        (7.4, 13.0),
        (7.6, 15),
        (6.0, 17.5),
        (5.4, 24),
    ]
    root = polygon(half + [(-x, y) for x, y in reversed(half)])
    shank = rounded(root, 0.6, 0.6).extrude(30).translate((0, 0, -15)).rotate((90, 0, 0))
    platform = box((-13, -18, 22.5), (13, 18, 26.5)).rotate((0, 0, 0))
    foil = _blade(26, 88, (29, 23), (6.6, 3.2), (78, 46), (62, 28)).rotate((0, 0, 28))
    tip = _blade(84, 90, (29, 23), (6.6, 3.2), (48, 46), (30, 28)).rotate((0, 0, 28))
    passages = []
    for share in (-0.3, -0.13, 0.04, 0.2):
        path = []
        for z in np.linspace(-2, 96, 12):
            t = min(max((z - 26) / 62, 0.0), 1.0)
            chord, camber, stagger = 29 - 6 * t, math.radians(78 - 32 * t), 62 - 34 * t + 28
            radius = chord / (2 * math.sin(camber / 2))
            a = share * camber
            x, y = radius * math.sin(a), radius * (math.cos(a) - math.cos(camber / 2))
            g = math.radians(stagger)
            path.append((x * math.cos(g) - y * math.sin(g), x * math.sin(g) + y * math.cos(g), z))
        feed = (0.35 * path[5][0], 0.8 * path[5][1], -2.0)
        bend = smooth_path([feed, (feed[0], feed[1], 8.0), (path[4][0] * 0.6, path[4][1], 20.0), *path[5:]], 4)
        passages.append(tube(bend, 0.75, 10))
    pockets = [box((side * 6.6 - 3, -12, 17.5), (side * 6.6 + 3, 12, 22.0)) for side in (-2, 2)]
    return cut(union([shank, platform, foil, tip ^ box((-50, -50, 84), (50, 50, 88))]), *passages, *pockets)


def vane_segment() -> Manifold:
    """A stator segment: three hollow vanes between inner and outer bands with hooks."""
    inner, outer = 120.0, 165.0

    def band(low: float, high: float, depth: float) -> Manifold:
        return prism(sector(high, -13.5, 13.5) - sector(low, -20, 20), -depth / 2, depth / 2)

    bands = union(
        [
            band(inner - 3, inner, 34),
            band(outer, outer + 3, 38),
            band(outer, outer + 8, 4).translate((0, 0, 15)),
            band(outer, outer + 8, 4).translate((0, 0, -15)),
            band(inner - 9, inner, 4),
        ]
    )
    vanes, cores = [], []
    for turn in (-9.0, 0.0, 9.0):

        def stand(solid: Manifold, turn: float = turn) -> Manifold:
            return solid.rotate((0, 90, 0)).rotate((0, 0, turn))

        vanes.append(stand(_blade(inner - 1.5, outer + 1.5, (29, 30), (6.0, 6.4), (56, 50), (24, 20))))
        cores.append(
            stand(_blade(inner - 14, outer + 20, (14, 14), (2.6, 2.6), (26, 22), (30, 26)).translate((-3, 1.4, 0)))
        )
    return cut(union([bands, *vanes]), *cores)


def compressor_blisk() -> Manifold:
    """A bladed disc, 128 mm: rim, thin web, bore, nineteen twisted blades."""
    disc = turned(
        [
            (12, -9),
            (19, -9),
            (21, -4),
            (34, -2.2),
            (41, -8.5),
            (44.5, -8.5),
            (44.5, 8.5),
            (41, 8.5),
            (34, 2.2),
            (21, 4),
            (19, 9),
            (12, 9),
        ],
        96,
    )
    blade = _blade(42.5, 65, (17, 15), (1.9, 1.1), (42, 18), (38, 60), 8).rotate((0, 90, 0))
    rim = cylinder(64, -20, 20, 128)
    return cut(union([disc, *[b ^ rim for b in ring(blade, 19)]]), *ring(bore((16, 0), 1.6, -20, 20, 16), 6))


def radial_turbine_wheel() -> Manifold:
    """A radial inflow wheel, 78 mm: eleven blades bending from radial to axial, scalloped back disc."""
    hub = turned([(0, 0), (39, 0), (38.5, 1.6), (28, 4.5), (18, 11), (11.5, 22), (9, 34), (7, 40), (0, 41)], 88)
    passage = turned([(8, 35), (10.5, 22), (17, 10), (27, 4), (39, 1), (39, 9), (34, 12), (29.5, 18), (27.5, 35)], 88)
    s, t = np.meshgrid(np.linspace(0, 1, 18), np.linspace(0, 1, 10), indexing="ij")
    radius, height = 5.0 + 36.0 * t, -1.0 + 38.0 * s
    angle = np.radians(62.0 * np.clip((s - 0.3) / 0.7, 0, 1) ** 1.7) * (0.5 + 0.5 * t)
    grid = np.stack([radius * np.cos(angle), radius * np.sin(angle), height], axis=-1)
    blade = slab(grid, 1.9 - 0.9 * t) ^ passage
    scallop = bore((45.0, 0.0), 9.5, -1, 1.9, 32)
    return cut(union([hub, *ring(blade, 11)]), *ring(scallop, 11, 180 / 11), cylinder(4, -1, 6, 32))


def axial_swirler() -> Manifold:
    """A burner swirler, 52 mm: ten helical vanes between a hub with centre passage and a shroud with lip."""
    shroud = turned([(22.5, 0), (26, 0), (26, 4), (24, 5), (24, 18), (21, 23), (19.6, 23), (22.5, 17)], 80)
    hub = turned([(5.5, -4), (9, -4), (11, 0), (11, 14), (7, 22), (5.5, 22)], 64)
    s, t = np.meshgrid(np.linspace(0, 1, 14), np.linspace(0, 1, 5), indexing="ij")
    radius, angle = 10.0 + 13.4 * t, np.radians(46.0) * s**1.6
    vane = slab(np.stack([radius * np.cos(angle), radius * np.sin(angle), 0.8 + 14.5 * s], axis=-1), 1.3 - 0.4 * s)
    return union([shroud, hub, *ring(vane, 10)])


def fuel_nozzle_body() -> Manifold:
    """A fuel nozzle: flange, bent stem with two separate inner galleries, spray tip with slots."""
    spine = smooth_path([(0, 0, 0), (0, 0, 18), (1, 0, 40), (7, 0, 60), (19, 0, 74), (34, 0, 80)], 6)
    section = circle_points(1.0, 28) * np.array([8.5, 6.2])
    stem = sweep(spine, section)
    flange = Manifold.batch_hull([bore((0, y), 7, -4, 2, 32) for y in (-19, 19)] + [bore((0, 0), 14, -4, 2, 48)])
    boss = union([bore((0, 0), 8, -12, 1, 40), bore((0, 0), 9.5, -14, -10, 6)])
    tip = (
        turned([(0, -4), (8.6, -4), (10.5, 1), (10.5, 12), (8, 18), (0, 18)], 48)
        .rotate((0, 90, 0))
        .translate((30, 0, 80))
    )
    bowl = turned([(0, 8), (1.2, 8), (1.4, 11), (6.4, 19), (0, 19)], 40).rotate((0, 90, 0)).translate((30, 0, 80))
    plenum = turned([(3.6, 2), (6, 0), (8, 2), (8, 8), (6.4, 10.5), (5.2, 10.5), (4.6, 6)], 40)
    plenum = plenum.rotate((0, 90, 0)).translate((30, 0, 80))
    pilot = tube(
        [(0, 0, -20), *(spine + np.array([0, 2.2, 0]))[2:-5], (24, 0.4, 78.8), (34, 0, 80), (40, 0, 80)], 1.15, 12
    )
    main = tube(
        [(0, -5.2, -20), (0, -4.4, -8), *(spine + np.array([0, -3.0, 0]))[3:-7], (22, -4.0, 76), (33, -6.4, 79)],
        1.5,
        12,
    )
    jets = [
        rod(
            (37, 6.4 * math.cos(a), 80 + 6.4 * math.sin(a)),
            (50, 5.0 * math.cos(a + 0.7), 80 + 5.0 * math.sin(a + 0.7)),
            0.7,
            10,
        )
        for a in np.linspace(0, 2 * math.pi, 8, endpoint=False)
    ]
    fixings = [bore((0, y), 3.2, -9, 9, 24) for y in (-19, 19)]
    return cut(union([stem, flange, boss, tip]), bowl, plenum, pilot, main, *jets, *fixings)


def heat_shield_tile() -> Manifold:
    """A curved combustor tile, 62 mm: slanted effusion holes, rails and four studs behind."""
    skin = prism(sector(92, -20, 20) - sector(90, -30, 30), 0, 58)
    rails = prism(sector(96, -20, 20) - sector(91, -30, 30), 0, 58)
    rails = cut(rails, prism(sector(99, -18.4, 18.4), 2.4, 55.6))
    studs = [rod((90.8, 0, z), (110, 0, z), 2.6, 20).rotate((0, 0, turn)) for z in (12, 46) for turn in (-12, 12)]
    holes = []
    for row in range(8):
        for column in range(9):
            turn = -15.2 + 3.6 * column + (1.8 if row % 2 else 0.0)
            z = 7.0 + 6.2 * row
            holes.append(rod((87, 0, z - 4.5), (95, 0, z + 4.5), 0.5, 8).rotate((0, 0, turn)))
    return cut(union([skin, rails]), *holes) + union(studs)


def honeycomb_seal_segment() -> Manifold:
    """An abradable seal: thin-walled hexagonal cells standing on a curved carrier with hooks."""
    carrier = prism(sector(84, -16, 16) - sector(82, -20, 20), -15, 15)
    hooks = [prism(sector(88, -16, 16) - sector(83, -20, 20), low, low + 2.5) for low in (-15, 12.5)]
    blank = prism(sector(82.5, -16, 16) - sector(76.5, -20, 20), -15, 15)
    cells, across = [], 4.4
    for i, z in enumerate(np.arange(-16.5, 17.5, (across + 0.7) * math.sqrt(3) / 2)):
        step = math.degrees((across + 0.7) / 79.0)
        for turn in np.arange(-18, 18, step):
            cell = Manifold.cylinder(8, across / math.sqrt(3), across / math.sqrt(3), 6).rotate((0, 0, 0))
            cells.append(
                cell.rotate((0, 90, 0)).translate((73.5, 0, float(z))).rotate((0, 0, float(turn + step / 2 * (i % 2))))
            )
    frame = cut(blank, prism(sector(90, -15.3, 15.3), -14.2, 14.2))
    comb = cut(blank, *cells)
    return union([carrier, *hooks, frame, comb])
