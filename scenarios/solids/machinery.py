"""Spares for rail and food machinery: levers, gears, augers, forks, nozzles, blades, chain."""

from __future__ import annotations

import math

import numpy as np
from manifold3d import CrossSection, Manifold

from scenarios.solids.forms import (
    Points,
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
    slab,
    smooth_path,
    soft_block,
    sweep,
    tube,
    turned,
    union,
)
from scenarios.solids.outlines import (
    arc_points,
    chain_wheel,
    disc,
    involute_gear,
    join,
    plate,
    polygon,
    ribbon,
    rounded,
    slot,
    tapered_bar,
)


def brake_lever_offset() -> Manifold:
    """A rail brake lever, 190 mm: splined boss, cranked I-section arm, clevis end."""
    arm = join([tapered_bar((0, 0), 19, (90, 14), 13), tapered_bar((90, 14), 13, (160, -6), 11)])
    flat = prism(rounded(arm, 2, 18), 0, 18)
    recess = rounded(join([tapered_bar((32, 4), 7, (88, 13), 6.5), tapered_bar((88, 13), 6.5, (134, 1), 4.5)]), 1, 10)
    boss = turned([(0, -8), (24, -8), (26, -6), (26, 24), (24, 26), (0, 26)], 64)
    clevis = union(
        [
            bore((160, -6), 15, -8, 26, 40),
            Manifold.batch_hull([bore((140, 0), 8, 0, 18, 32), bore((150, -3), 12, -8, 26, 32)]),
        ]
    )
    gap = box((147, -40, 3), (200, 40, 15))
    bend = union([flat, clevis])
    spline = involute_gear(1.5, 20).extrude(60).translate((0, 0, -20))
    clamp = box((-60, -1.5, -20), (0, 1.5, 40))
    ears = Manifold.batch_hull(
        [rod((-31, -12, z), (-31, 12, z), 8, 32) for z in (1, 17)] + [box((-24, -11, -6), (-20, 11, 24))]
    )
    bolt = rod((-32, -30, 9), (-32, 30, 9), 4.2, 24)
    body = cut(
        union([bend, boss, ears]),
        prism(recess, -1, 5),
        prism(recess, 13, 30),
        gap,
        clamp,
        bolt,
        bore((160, -6), 6.5, -20, 40, 32),
    )

    def crank(points: Points) -> Points:
        moved = np.array(points)
        share = np.clip((moved[:, 0] - 38) / 80, 0, 1)
        moved[:, 2] += 22 * (3 * share**2 - 2 * share**3)
        return moved

    return cut(body.refine_to_length(9.0).warp_batch(crank), spline)


def spur_gear_webbed() -> Manifold:
    """A spur gear, module 2.5, 36 teeth: thin web with kidney windows, keyed hub."""
    teeth = prism(involute_gear(2.5, 36), 0, 20)
    web = cut(
        teeth,
        turned([(17, -1), (19, 5.5), (36, 5.5), (38, -1)], 72),
        turned([(17, 21), (38, 21), (36, 14.5), (19, 14.5)], 72),
    )
    kidney = rounded(ribbon(arc_points(27.5, -24, 24, 16), 10), 3, 0)
    hub = cylinder(17.5, -4, 26, 64)
    return cut(
        union([web, hub]), *ring(prism(kidney, -1, 30), 5), cylinder(10, -10, 40, 48), box((-3, 0, -10), (3, 12.8, 40))
    )


def auger_screw() -> Manifold:
    """A food auger, 172 mm long: a conical core with a flight of falling pitch, square drive, cross hole."""
    core = turned([(0, 0), (10, 0), (10, 18), (14, 22), (13, 60), (9, 165), (6, 171), (0, 172)], 48)
    s, t = np.meshgrid(np.linspace(0, 1, 110), np.linspace(0, 1, 5), indexing="ij")
    turn = 5.2 * 2 * math.pi * s**1.12
    height = 26 + 136 * s
    tip = 30.0 - 9.0 * s
    radius = 6.0 + (tip - 6.0) * t
    grid = np.stack([radius * np.cos(turn), radius * np.sin(turn), height + 3.0 * (1 - t)], axis=-1)
    flight = slab(grid, 3.6 - 1.6 * t)
    flats = [box((7.5, -20, -1), (20, 20, 16)).rotate((0, 0, a)) for a in (0, 90, 180, 270)]
    return cut(union([core, flight]), *flats, rod((-20, 0, 9), (20, 0, 9), 2.5, 20), cylinder(3.2, -1, 40, 24))


def drive_sprocket() -> Manifold:
    """A roller chain sprocket, 21 teeth of 12.7 mm pitch: bevelled rim, spoked web, bolt circle."""
    wheel = chain_wheel(12.7, 21, 4.25)
    rim = prism(wheel, 0, 7.2) ^ turned([(0, 0), (41, 0), (46, 2), (46, 5.2), (41, 7.2), (0, 7.2)], 96)
    window = rounded(ribbon(arc_points(28.5, -24, 18, 14), 10.0), 3, 0)
    hub = turned([(0, 0), (18.5, 0), (18.5, 11), (16.5, 13), (0, 13)], 64)
    return cut(
        union([rim, hub]),
        *ring(prism(window, -1, 9), 6),
        cylinder(9, -1, 20, 48),
        *ring(bore((13.6, 0), 1.8, -1, 20, 16), 6),
    )


def cutter_blade_curved() -> Manifold:
    """A bowl-cutter blade, 168 mm: sickle outline, scalloped hollow-ground edge, hexagon mount."""
    spine = np.array([(math.cos(a) * (22 + 30 * a), math.sin(a) * (22 + 30 * a)) for a in np.linspace(0.1, 2.9, 26)])
    width = np.linspace(44, 14, 26)
    outline = rounded(join([ribbon(spine, width), disc(34)]), 2, 6)
    body = prism(outline, 0, 5)
    edge_line = np.array(
        [
            (math.cos(a) * (22 + 30 * a + 24 - 5.0 * a), math.sin(a) * (22 + 30 * a + 24 - 5.0 * a), 5.2)
            for a in np.linspace(0.45, 3.0, 40)
        ]
    )
    grind = tube(edge_line, 5.6, 16)
    teeth = [Manifold.sphere(4.4, 24).translate((float(p[0]), float(p[1]), 0.2)) for p in edge_line[3::3]]
    holes = ring(bore((24, 0), 2.6, -1, 8, 20), 6, 30)
    return cut(body, grind, *teeth, bore((0, 0), 17, -1, 9, 6), *holes)


def door_selector_fork() -> Manifold:
    """A selector fork, 96 mm: clamped sleeve, arched tines with wear pads, lightening window."""
    sleeve = cut(cylinder(13, 0, 44, 48), cylinder(8.2, -1, 50, 40))
    arm = limb([(0, 10, 22), (0, 28, 22), (0, 38, 20)], [9, 7.5, 8], 24)
    tines = []
    for side in (-1, 1):
        line = smooth_path(
            [(0, 38, 20), (side * 22, 44, 18), (side * 37, 60, 17), (side * 38, 80, 17), (side * 33, 96, 17)], 5
        )
        tines.append(sweep(line, np.array([[-5, -4], [5, -4], [5, 4], [-5, 4]]), np.linspace(1.25, 0.85, len(line))))
        tines.append(soft_block((side * 32 - 6, 86, 10.5), (side * 32 + 6, 101, 23.5), 1.6))
    web = prism(rounded(join([tapered_bar((0, 12), 8, (0, 40), 13)]), 2, 0), 20, 24)
    ear = Manifold.batch_hull([rod((x, -17, z), (x, -9, z), 6, 24) for x, z in ((-5, 22), (5, 22))])
    slit = box((-1.2, -40, -1), (1.2, -5, 60))
    bolt = rod((-20, -16, 22), (20, -16, 22), 2.7, 20)
    window = Manifold.batch_hull([bore((0, 24), 2.6, -5, 60, 20), bore((0, 32), 3.2, -5, 60, 20)])
    return cut(union([sleeve, arm, *tines, web, ear]), cylinder(8.2, -1, 60, 40), slit, bolt, window)


def filling_nozzle_six() -> Manifold:
    """A food filling nozzle, 70 mm: one threaded inlet dividing inside a cone into six angled jets."""
    body = turned([(0, 0), (31, 0), (33, 3), (33, 9), (22, 34), (14, 46), (14, 66), (12.5, 68), (0, 68)], 72)
    thread = [cut(cylinder(15, z, z + 1.2, 48), cylinder(12.6, z - 1, z + 3, 48)) for z in (50, 53, 56, 59, 62)]
    jets = []
    for i in range(6):
        a = i * math.pi / 3
        lane = smooth_path(
            [
                (0, 0, 46),
                (3 * math.cos(a), 3 * math.sin(a), 40),
                (15 * math.cos(a + 0.35), 15 * math.sin(a + 0.35), 20),
                (24 * math.cos(a + 0.5), 24 * math.sin(a + 0.5), 4),
                (25.5 * math.cos(a + 0.5), 25.5 * math.sin(a + 0.5), -4),
            ],
            5,
        )
        jets.append(tube(lane, np.linspace(4.2, 2.6, len(lane)), 14))
    dents = [
        Manifold.sphere(9, 28).translate((29 * math.cos(a), 29 * math.sin(a), 27))
        for a in np.linspace(0, 2 * math.pi, 8, endpoint=False)
    ]
    air = union([cylinder(2.0, -1, 30, 16), rod((0, 0, 29), (40, 0, 13.5), 2.0, 16)])
    return cut(union([body, *thread]), cylinder(8, 44, 80, 40), *jets, *dents, air)


def conveyor_chain_link() -> Manifold:
    """A conveyor chain link: cranked side bars, bushed barrel, carrier wing with holes and ribs."""
    bars = []
    for side in (-1, 1):
        bar = prism(
            rounded(tapered_bar((0, 0), 9.5, (38, 0), 9.5) - disc(22, (19, 29)) - disc(22, (19, -29)), 1, 0), -2, 2
        )
        bars.append(
            bar.refine_to_length(5).warp_batch(_cranked).rotate((-90 * side, 0, 0)).translate((0, side * 9.5, 0))
        )
    barrel = rod((0, -11, 0), (0, 11, 0), 7.5, 40)
    wing = soft_block((8, -30, 8.0), (34, 30, 11.5), 1.0)
    posts = [
        Manifold.batch_hull([box((12, y - 2, 0), (30, y + 2, 1)), box((9, y - 2.2, 8.5), (33, y + 2.2, 9.5))])
        for y in (-12.0, 12.0)
    ]
    ribs = [
        Manifold.batch_hull(
            [box((20, s * 13 - 1, 1), (22, s * 13 + 1, 9)), box((20, s * 27 - 1, 8), (22, s * 27 + 1, 9))]
        )
        for s in (-1, 1)
    ]
    holes = [Manifold.batch_hull([bore((x, y), 2.4, 7, 20, 20) for x in (13, 17)]) for y in (-22.0, 22.0)]
    return cut(
        union([*bars, barrel, wing, *posts, *ribs]),
        rod((0, -40, 0), (0, 40, 0), 4.6, 32),
        rod((38, -40, 0), (38, 40, 0), 4.6, 32),
        *holes,
    )


def _cranked(points: Points) -> Points:
    """Bend a side bar outward by 4.5 mm between its two eyes."""
    moved = np.array(points)
    share = np.clip((moved[:, 0] - 10) / 18, 0, 1)
    moved[:, 2] += 4.5 * (3 * share**2 - 2 * share**3)
    return moved


def lifting_chain_links() -> Manifold:
    """Three linked chain links built loose in one another, 6 mm bar."""
    lane = np.vstack(
        [arc_points(8.5, -90, 90, 20) + np.array([9.0, 0]), arc_points(8.5, 90, 270, 20) - np.array([9.0, 0])]
    )
    link = tube(np.column_stack([lane, np.zeros(40)]), 3.0, 18, closed=True)
    return union(
        [
            link.rotate((45, 0, 0)),
            link.rotate((-45, 0, 0)).translate((27.4, 0, 0)),
            link.rotate((45, 0, 0)).translate((54.8, 0, 0)),
        ]
    )


def damper_bracket_rail() -> Manifold:
    """A damper bracket for a bogie, 124 mm: ribbed base, two forked cheeks, round-bottomed window."""
    base = prism(rounded(plate(124, 84, 14) - slot(40, 22), 2, 4), 0, 12)
    cheek = rounded(
        CrossSection.batch_hull([disc(20, (0, 62)), polygon([(-44, 0), (44, 0), (44, 10), (-44, 10)])])
        - disc(11, (20, 26))
        - disc(11, (-20, 26)),
        2,
        0,
    )
    cheeks = [prism(cheek, -5, 5).rotate((90, 0, 0)).translate((0, y, 6)) for y in (-24.0, 24.0)]
    ribs = [
        Manifold.batch_hull([box((-3, s * 28, 8), (3, s * 29, 52)), box((-3, s * 28, 8), (3, s * 40, 12))])
        for s in (-1, 1)
    ]
    bosses = [rod((0, s * 29, 68), (0, s * 33, 68), 15, 40) for s in (-1, 1)]
    brace = limb([(-34, -22, 12), (-30, 0, 16), (-34, 22, 12)], [5, 4, 5], 16)
    holes = [union([bore((x, y), 5.5, -1, 20, 24), bore((x, y), 9, 8.5, 20, 32)]) for x in (-50, 50) for y in (-30, 30)]
    return cut(
        union([base, *cheeks, *ribs, *bosses, brace, brace.mirror((1, 0, 0))]),
        rod((0, -60, 68), (0, 60, 68), 8.2, 36),
        *holes,
    )


def inspection_cover() -> Manifold:
    """A domed inspection cover, 102 mm: flange, stiffening ribs, sight port, hinge ears."""
    outline = rounded(join([plate(102, 74, 16), *[disc(7, (x, -40)) for x in (-22, 22)]]), 1, 6)
    flange = prism(outline, 0, 4)
    dome = [
        np.column_stack(
            [
                np.asarray(circle_points(1.0, 48)) * np.array([40.0, 27.0]) * math.cos(t),
                np.full(48, 3 + 15 * math.sin(t)),
            ]
        )
        for t in np.linspace(0, 1.45, 10)
    ]
    inside = [
        np.column_stack(
            [
                np.asarray(circle_points(1.0, 48)) * np.array([37.8, 24.8]) * math.cos(t),
                np.full(48, -0.5 + 15.6 * math.sin(t) + 0.2),
            ]
        )
        for t in np.linspace(0, 1.45, 10)
    ]
    skin, hollow = loft(dome), union([loft(inside), prism(CrossSection.circle(1, 48).scale((37.8, 24.8)), -5, 0.2)])
    ribs = [
        Manifold.batch_hull([box((x - 1, -30, 2), (x + 1, 30, 6)), box((x - 1, -12, 12), (x + 1, 12, 18.2))])
        for x in (-22, 22)
    ]
    port = union([cylinder(12, 6, 22, 40), cylinder(14.5, 19, 22.5, 40)])
    bolts = [bore((x, y), 2.8, -5, 9, 20) for x in (-43, 0, 43) for y in (-30, 30) if abs(x) > 1 or y > 0]
    pin = rod((-60, -42, 2.5), (60, -42, 2.5), 1.8, 16)
    return cut(
        union([flange, skin, *ribs, port, *[rod((x - 5, -42, 3), (x + 5, -42, 3), 5, 24) for x in (-22, 22)]]),
        hollow,
        cylinder(9, 0, 40, 36),
        *bolts,
        pin,
    )
