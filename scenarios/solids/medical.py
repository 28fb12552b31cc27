"""Dental and implant work: copings, a bridge, an abutment, a denture framework, cup, cage, plates."""

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
    limb,
    loft,
    prism,
    rod,
    slab,
    smooth_path,
    tube,
    turned,
    union,
)
from scenarios.solids.outlines import ribbon, rounded


def _crown(width: float, depth: float, height: float, cusps: int, margin_wave: float, grow: float) -> Manifold:
    """A tooth-shaped lump: wavy margin, bulging wall, cusped top; ``grow`` enlarges it all round."""
    around = np.linspace(0, 2 * math.pi, 40, endpoint=False)
    lobes = 1.0 + 0.045 * np.cos(cusps * around)
    rings = []
    for t in np.linspace(0.0, 1.0, 9):
        bulge = 0.86 + 0.17 * math.sin(math.pi * min(t * 0.9 + 0.12, 1.0)) - 0.10 * t
        x = (0.5 * width * bulge + grow) * np.cos(around) * lobes
        y = (0.5 * depth * bulge + grow) * np.sin(around) * lobes
        z = height * t * 0.8 + margin_wave * (1 - t) * np.cos(2 * around) + grow * t
        rings.append(np.column_stack([x, y, z]))
    for shrink in np.linspace(0.9, 0.15, 7):
        top = rings[8]
        cusp = 0.55 * math.sin(math.pi * shrink) * np.cos(cusps * around)
        dome = height * 0.2 * (1 - shrink**2) * (0.25 + 0.75 * min(shrink / 0.6, 1.0))
        rings.append(np.column_stack([top[:, 0] * shrink, top[:, 1] * shrink, height * 0.8 + grow + dome + cusp * 0.6]))
    return loft(rings)


def crown_coping_molar() -> Manifold:
    """A molar coping about 10 mm across, wall about 0.8 mm, open below, waved margin."""
    inside = _crown(9.2, 8.6, 6.4, 4, 0.55, 0.0)
    return cut(_crown(9.2, 8.6, 6.4, 4, 0.55, 0.85), inside, inside.translate((0, 0, -0.7)))


def crown_coping_incisor() -> Manifold:
    """An incisor coping about 8 mm tall: flattened towards the edge, wall about 0.7 mm."""

    def lump(grow: float, drop: float) -> Manifold:
        around = np.linspace(0, 2 * math.pi, 36, endpoint=False)
        rings = []
        for t in np.linspace(0, 1, 12):
            x = (2.6 + 0.9 * t - 0.5 * t**3 + grow) * np.cos(around)
            y = (2.5 * (1 - 0.78 * t**1.3) + grow) * np.sin(around) + 0.9 * t**1.5
            z = 7.0 * t + grow * t - drop * (1 - t) + (0.9 - 0.9 * t) * np.cos(2 * around) * 0.6
            rings.append(np.column_stack([x, y, z]))
        edge = rings[-1]
        middle = edge.mean(axis=0)
        for shrink, lift in ((0.88, 0.22), (0.65, 0.42), (0.3, 0.5)):
            rings.append(middle + (edge - middle) * shrink + np.array([0.0, 0.0, lift]))
        return loft(rings)

    return cut(lump(0.72, 0.0), lump(0.0, 0.8))


def dental_bridge_three() -> Manifold:
    """A three-unit bridge frame: two copings and a solid middle unit on a gentle arch, joined by connectors."""
    units, hollows = [], []
    for turn, width in ((-15.5, 8.0), (0.0, 8.6), (15.5, 8.4)):

        def place(solid: Manifold, turn: float = turn) -> Manifold:
            return solid.translate((0, 33, 0)).rotate((0, 0, turn))

        if turn == 0.0:
            units.append(place(_crown(width, 7.0, 4.6, 3, 0.3, 0.5).translate((0, 0, 1.6))))
        else:
            units.append(place(_crown(width, 7.2, 6.2, 3, 0.5, 0.85)))
            core = _crown(width, 7.2, 6.2, 3, 0.5, 0.0)
            hollows += [place(core), place(core.translate((0, 0, -0.8)))]
    bars = []
    for a, b in ((-11.0, -4.0), (4.0, 11.0)):
        ends = [(33 * math.sin(math.radians(t)), 33 * math.cos(math.radians(t)), 3.6) for t in (a, b)]
        bars.append(limb(ends, [1.7, 1.7], 16))
    return cut(union([*units, *bars]), *hollows)


def implant_abutment_angled() -> Manifold:
    """An angled abutment, 12 mm long: hexagon foot, waisted collar, tilted post with screw channel."""
    foot = union(
        [bore((0, 0), 1.55, 0, 2.2, 6), turned([(0, 2), (1.9, 2), (2.0, 2.6), (2.9, 4.6), (2.5, 5.2), (0, 5.2)], 48)]
    )
    around = circle_points(1.0, 40)
    flats = 1.0 - 0.10 * np.maximum(0, np.cos(np.arctan2(around[:, 1], around[:, 0]))) ** 6
    rings = []
    for t in np.linspace(0, 1, 10):
        r = 2.75 - 0.95 * t - 0.35 * max(t - 0.8, 0) / 0.2
        rings.append(
            np.column_stack([around * (flats * r)[:, None], np.full(40, 4.9 + 7.0 * t)])
            + np.array([1.9 * t**1.15, 0, 0])
        )
    shaft = union([cylinder(0.85, -1, 3.4, 24), cylinder(1.1, 3.4, 20, 24)])
    groove = [bore((1.9 * 0.5 + 2.8, 0.0), 0.35, 6.5, 14, 12).rotate((0, 0, 180)).translate((1.9, 0, 0))]
    return cut(union([foot, loft(rings)]), shaft, *groove)


def denture_framework() -> Manifold:
    """A partial-denture framework: palatal strap, retention lattice on both sides, clasps and rests."""

    def arch(turn: float, radius: float, rise: float = 0.0) -> Points:
        angle = math.radians(turn)
        return np.array([radius * 1.0 * math.sin(angle), radius * 1.15 * math.cos(angle), rise])

    def vault(x: float, y: float) -> float:
        return 11.0 * math.pow(math.cos(min(abs(x) / 24.0, 1.0) * math.pi / 2), 1.3)

    grid = np.array(
        [
            [(x, y + 6.0 * math.cos(x / 24 * 1.4), vault(x, y)) for x in np.linspace(-21.5, 21.5, 31)]
            for y in np.linspace(-9, 7, 9)
        ]
    )
    strap = slab(grid, 0.8)
    struts: list[Manifold] = []
    for side in (-1, 1):
        rails: dict[float, list[Points]] = {}
        for radius in (21.0, 24.0, 27.0):
            rise = 3.2 - 0.22 * (radius - 24.0) ** 2
            rails[radius] = [arch(side * turn, radius, rise) for turn in np.linspace(38, 104, 12)]
            struts.append(tube(smooth_path(rails[radius], 2), 0.6, 8))
        for i in range(12):
            struts.append(tube(smooth_path([rails[r][i] for r in (21.0, 24.0, 27.0)], 3), 0.5, 8))
        for turn, reach in ((30, 26.0), (112, 26.0)):
            base = arch(side * turn, 22.0, 3.0)
            hook = [base, arch(side * turn, reach - 1.2, 5.0)]
            swing = -8 if turn < 60 else 8
            hook += [
                arch(side * (turn + swing * 0.7), reach + 2.0, 4.2),
                arch(side * (turn + swing * 1.7), reach + 4.6, 2.8),
                arch(side * (turn + swing * 2.5), reach + 3.8, 1.6),
            ]
            line = smooth_path(hook, 6)
            struts.append(tube(line, np.linspace(1.0, 0.55, len(line)), 10))
            struts.append(limb([tuple(base), tuple(arch(side * turn, 24.5, 6.0))], [1.0, 1.1], 12))
            near = rails[21.0][0 if turn < 60 else -1]
            struts.append(limb([tuple(base), tuple(near)], [0.9, 0.8], 12))
        for i, lift in ((1, 0.7), (4, 0.8), (8, 0.8)):
            start = rails[21.0][i]
            inner = (side * 19.5, float(np.clip(start[1], -6, 12)), vault(19.5, 0))
            struts.append(
                limb(
                    [inner, tuple(0.5 * (np.array(inner) + start) + np.array([0, 0, 0.5])), tuple(start)],
                    [0.9, 0.8, lift],
                    12,
                )
            )
    return union([strap, *struts])


def hip_cup() -> Manifold:
    """A hemispherical cup, 54 mm: smooth inside, pitted rough outside, rim notches, three screw holes."""
    outer, inner = 27.0, 22.0
    arc = [(outer * math.cos(a), -outer * math.sin(a)) for a in np.linspace(0, math.pi / 2, 20)]
    bowl = [(inner * math.cos(a), -inner * math.sin(a)) for a in np.linspace(math.pi / 2, 0, 20)]
    shell = turned([(max(r, 0.0), z) for r, z in arc + bowl], 72)
    pits = []
    golden = math.pi * (3 - math.sqrt(5))
    for i in range(260):
        down = 0.10 + 0.86 * (i + 0.5) / 260
        r = math.sqrt(1 - down**2)
        x, y, z = outer * r * math.cos(golden * i), outer * r * math.sin(golden * i), -outer * down
        pits.append(Manifold.sphere(0.95, 8).translate((x, y, z)))
    screws = []
    for turn in (0, 40, 80):
        hole = union([cylinder(3.2, -40, 0, 24), cylinder(4.6, -24.5, 0, 24)]).rotate((0, 32, 0)).rotate((0, 0, turn))
        screws.append(hole)
    notches = [box((20, -1.5, -2.5), (25, 1.5, 5)).rotate((0, 0, turn)) for turn in (60, 140, 220, 300)]
    return cut(shell, union(pits), *screws, *notches)


def spinal_cage() -> Manifold:
    """An interbody cage, 28 x 11 mm: bullet nose, toothed faces, graft window, diamond lattice sides."""
    outline = rounded(ribbon(np.array([(-13.0, 0.0), (0.0, 0.6), (13.0, 0.0)]), 10.5), 4.8, 0.0)
    body = prism(outline, 0, 9.6)
    body = body ^ Manifold.batch_hull([box((-14, -8, 0), (6, 8, 9.6)), box((12.9, -8, 3.2), (13.1, 8, 6.4))])
    window = prism(outline.offset(-2.2), -1, 11)
    window = cut(window, box((-1.1, -8, -2), (1.1, 8, 12)))
    teeth = []
    for x in np.arange(-11.5, 7.0, 1.9):
        notch = rod((float(x), -9, 10.1), (float(x), 9, 10.1), 1.05, 4)
        teeth += [notch, notch.mirror((0, 0, 1)).translate((0, 0, 9.6))]
    side = []
    for i, x in enumerate(np.arange(-9.6, 9.0, 2.1)):
        for z in (3.0, 6.6) if i % 2 else (4.8,):
            side.append(rod((float(x), -9, z), (float(x), 9, z), 1.25, 4))
    grip = union([rod((-20, 0, 4.8), (-9.5, 0, 4.8), 1.6, 20)])
    return cut(body, window, *teeth, *side, grip)


def bone_plate_curved() -> Manifold:
    """An anatomical plate, 118 mm: bent and twisted, combined holes on the shaft, a fan of holes on the head."""
    count = 46
    x = np.linspace(0, 118, count)
    wide = np.where(x < 82, 5.4, 5.4 + 7.0 * np.clip((x - 82) / 24, 0, 1) ** 1.3)
    wide = wide * np.sqrt(np.clip(1 - np.clip((x - 110) / 9, 0, 1) ** 2, 0.12, 1)) * np.sqrt(np.clip(x / 4, 0.25, 1))
    across = np.linspace(-1, 1, 13)

    def place(px: float, py: float) -> tuple[float, float, float]:
        twist = math.radians(16) * (px / 118) ** 2
        z = 10.5 * (px / 118) ** 2.2 - 0.022 * py**2
        return px, py * math.cos(twist) - 0.0 * z, z + py * math.sin(twist)

    grid = np.array([[place(float(px), float(w * t)) for t in across] for px, w in zip(x, wide, strict=True)])
    body = slab(grid, 3.0 - 1.0 * np.broadcast_to(np.abs(across) ** 3, (count, 13)))
    holes = []
    spots = [(8.0 + 11.5 * i, 0.0) for i in range(7)] + [
        (92, -3.6),
        (92, 4.4),
        (102, -7.0),
        (102, 0.4),
        (102, 7.4),
        (111, 2.6),
        (111, -3.6),
    ]
    for i, (px, py) in enumerate(spots):
        cx, cy, cz = place(px, py)
        tilt = math.degrees(math.atan(10.5 * 2.2 * (px / 118) ** 1.2 / 118))
        drill = union(
            [
                cylinder(1.75, -8, 8, 20),
                Manifold.cylinder(2.4, 1.75, 2.9, 20).translate((0, 0, 0.2)),
                cylinder(2.9, 2.55, 9, 20),
            ]
        )
        if i < 7 and i % 2:
            drill = Manifold.batch_hull([cylinder(1.75, -8, 8, 20), cylinder(1.75, -8, 8, 20).translate((3.0, 0, 0))])
        holes.append(drill.rotate((0, -tilt, 0)).translate((cx, cy, cz)))
    return cut(body, *holes)


def cranial_mesh_plate() -> Manifold:
    """A cranial repair plate, 74 mm: a domed thin shell, pierced in a hexagon pattern, with screw tabs."""
    radius = 78.0
    s, t = np.meshgrid(np.linspace(0.02, 1, 22), np.linspace(0, 2 * math.pi, 65), indexing="ij")
    edge = 34.0 + 3.0 * np.cos(2 * t) + 1.5 * np.sin(3 * t)
    flat = s * edge
    dome = np.sqrt(radius**2 - flat**2) - radius
    outer = np.stack([flat * np.cos(t), flat * np.sin(t), dome], axis=-1)[:, :-1]
    rings = [outer[i] + np.array([0, 0, 0.5]) for i in range(22)]
    rings += [outer[i] - np.array([0, 0, 0.5]) for i in range(21, -1, -1)]
    shell = loft(rings)
    holes, pitch = [], 5.2
    for row in range(-7, 8):
        for column in range(-8, 9):
            px, py = pitch * (column + 0.5 * (row % 2)), pitch * math.sqrt(3) / 2 * row
            if math.hypot(px, py) < 29.5:
                holes.append(bore((px, py), 1.9, -20, 8, 6))
    tabs, screws = [], []
    for turn in np.linspace(0, 360, 6, endpoint=False) + 15:
        a = math.radians(float(turn))
        reach = 36.5 + 3.0 * math.cos(2 * a) + 1.5 * math.sin(3 * a)
        low, near = (math.sqrt(radius**2 - r**2) - radius for r in (reach, reach - 5.0))
        spot = (reach * math.cos(a), reach * math.sin(a))
        root = ((reach - 5.0) * math.cos(a), (reach - 5.0) * math.sin(a))
        tabs.append(
            Manifold.batch_hull(
                [bore(spot, 3.6, low - 0.5, low + 0.5, 24), bore(root, 2.6, near - 0.45, near + 0.45, 24)]
            )
        )
        screws.append(bore(spot, 1.1, -20, 8, 16))
    return cut(union([cut(shell, *holes), *tabs]), *screws)
