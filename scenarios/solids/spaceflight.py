"""Light parts for satellites and small aircraft: branched brackets, waveguides, shells, lattices, a thrust chamber."""

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
    frames,
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
from scenarios.solids.outlines import plate, rounded


def satellite_bracket_branched() -> Manifold:
    """An antenna bracket, 132 mm: bone-like limbs from four feet to a tilted ring, cross-braced."""
    feet = [(-52.0, -34.0), (52.0, -34.0), (44.0, 36.0), (-44.0, 36.0)]
    ring_centre, tilt = (4.0, 0.0, 86.0), 24.0
    collar = cut(cylinder(24, -5, 5, 56), cylinder(18.5, -8, 8, 56))
    eyes = ring(bore((28, 0), 5.5, -3, 3, 28), 3, 30)
    drills = [*ring(bore((28, 0), 2.2, -9, 9, 16), 3, 30), cylinder(18.5, -9, 9, 56)]

    def seat(solid: Manifold) -> Manifold:
        return solid.rotate((0, tilt, 0)).translate(ring_centre)

    limbs, pads, holes = [], [], []
    for i, (x, y) in enumerate(feet):
        pads.append(bore((x, y), 10.5, 0, 4, 36))
        holes += [bore((x, y), 3.3, -1, 10, 20), bore((x, y), 6.0, 4, 14, 28)]
        a = math.atan2(y, x)
        end = np.array([21.5 * math.cos(a), 21.5 * math.sin(a), -1.0])
        c, s = math.cos(math.radians(tilt)), math.sin(math.radians(tilt))
        end = np.array([end[0] * c + end[2] * s + 4.0, end[1], -end[0] * s + end[2] * c + 86.0])
        knee = (x * 0.66, y * 0.8, 30.0 + 4 * (i % 2))
        elbow = (x * 0.5, y * 0.62, 58.0)
        limbs.append(limb([(x * 0.86, y * 0.9, 4), knee, elbow, tuple(end)], [6.2, 4.8, 4.2, 5.0], 16))
        limbs.append(limb([(x, y * 1.0, 2.6), (x * 0.86, y * 0.9, 6)], [4.0, 6.0], 16))
        nx, ny = feet[(i + 1) % 4]
        mid = ((x + nx) * 0.26, (y + ny) * 0.30, 44.0)
        limbs.append(limb([knee, mid, (nx * 0.5, ny * 0.62, 58.0)], [3.4, 2.8, 3.2], 14))
    limbs.append(limb([(-34, -27, 30), (0, -2, 38), (29, 29, 34)], [2.8, 2.4, 2.8], 12))
    body = cut(union([*limbs, *pads, seat(collar), *[seat(e) for e in eyes]]), *holes, *[seat(d) for d in drills])
    return cut(body, box((-200, -200, -50), (200, 200, 0)))


def waveguide_bend_twist() -> Manifold:
    """A rectangular waveguide, 22.86 x 10.16 mm inside: a sweeping bend that twists by a quarter turn, two flanges."""

    def dense(half_a: float, half_b: float) -> Points:
        corners = np.array([(half_a, half_b), (-half_a, half_b), (-half_a, -half_b), (half_a, -half_b)])
        return np.vstack(
            [corners[i] + (corners[(i + 1) % 4] - corners[i]) * t for i in range(4) for t in np.linspace(0, 1, 5)[:-1]]
        )

    line = smooth_path([(0, 0, 0), (0, 0, 20), (4, 0, 40), (20, 4, 58), (42, 12, 66), (66, 16, 68), (84, 16, 68)], 8)
    count = len(line)

    def guide(section: Points, extend: float) -> Manifold:
        course = line.copy()
        course[0] -= (0, 0, extend)
        course[-1] += (extend, 0, 0)
        u, v = frames(course)
        rings = []
        for i in range(count):
            t = min(max((i / (count - 1) - 0.15) / 0.7, 0.0), 1.0)
            turn = math.radians(90 * (3 * t**2 - 2 * t**3))
            x = section[:, 0] * math.cos(turn) - section[:, 1] * math.sin(turn)
            y = section[:, 0] * math.sin(turn) + section[:, 1] * math.cos(turn)
            rings.append(course[i] + x[:, None] * u[i] + y[:, None] * v[i])
        return loft(rings)

    wall, hollow = guide(dense(13.03, 6.68), 0.0), guide(dense(11.43, 5.08), 8.0)
    face = rounded(plate(42, 42, 5), 1, 0)
    drilled = cut(prism(face, 0, 4), *[bore((x, y), 2.1, -1, 6, 20) for x in (-16.3, 16.3) for y in (-15.5, 15.5)])
    gusset = [
        Manifold.batch_hull([box((s * 7, -1, 3), (s * 18, 1, 4.5)), box((s * 6, -0.8, 16), (s * 7, 0.8, 18))])
        for s in (-1, 1)
    ]
    ends = [drilled.translate((0, 0, -1)), drilled.rotate((0, 90, 0)).translate((81, 16, 68))]
    return cut(union([wall, *ends, *[g.rotate((0, 0, 90)) for g in gusset]]), hollow)


def corrugated_horn() -> Manifold:
    """A corrugated feed horn, 96 mm long: circular throat, ring grooves inside a flared thin wall, bolted flange."""
    outer: list[tuple[float, float]] = [(9.0, 0.0)]
    inner: list[tuple[float, float]] = []
    for z in np.arange(8.0, 96.0, 4.0):
        t = (z - 8) / 88
        radius = 7.0 + 25.0 * t**1.25
        depth = 4.4 - 1.2 * t
        inner += [(radius, z), (radius, z + 1.4), (radius + depth, z + 1.4), (radius + depth, z + 4.0)]
        outer.append((radius + depth + 1.3 + (0.0 if z > 10 else -2.0), z))
    outer.append((outer[-1][0] + 1.0, 97.4))
    inner += [(32.2, 96.0), (32.2, 97.4)]
    inner.insert(0, (7.0, 0.0))
    horn = turned(outer + inner[::-1], 72)
    flange = cut(cylinder(21, 0, 4, 64), *ring(bore((16.5, 0), 1.8, -1, 6, 16), 6), cylinder(7.5, -1, 6, 48))
    ribs = [
        Manifold.batch_hull([box((8.5, -0.7, 2), (19, 0.7, 4)), box((11, -0.7, 18), (14.0, 0.7, 20))]).rotate((0, 0, a))
        for a in (0, 120, 240)
    ]
    return union([horn, flange, *[cut(r, turned([(0, -1), (9, -1), (9, 8), (13.6, 24), (0, 24)], 48)) for r in ribs]])


def drone_arm_shell() -> Manifold:
    """A motor arm for a small aircraft, 168 mm: thin hollow beam with oval escape windows, motor cup, root clamp."""
    spine = smooth_path([(0, 0, 12), (40, 0, 13), (90, 0, 17), (135, 0, 20)], 9)
    around = circle_points(1.0, 36)
    shape = np.column_stack(
        [np.sign(around[:, 0]) * np.abs(around[:, 0]) ** 0.8, np.sign(around[:, 1]) * np.abs(around[:, 1]) ** 0.8]
    )
    sizes = np.linspace(11.0, 7.0, len(spine))

    def beam(wall: float, start: int, stop: int) -> Manifold:
        rings = []
        for i in range(start, stop):
            flat = shape * np.array([sizes[i] - wall, 0.72 * sizes[i] - wall])
            rings.append(spine[i] + np.column_stack([np.zeros(36), flat[:, 0], flat[:, 1]]))
        return loft(rings)

    cup = turned([(0, 0), (19, 0), (21, 3), (21, 16), (19.8, 16), (19.8, 4), (0, 2.2)], 56).translate((146, 0, 11))
    mount = [
        *ring(bore((9.5, 0), 1.6, -5, 8, 16), 4, 45),
        cylinder(4.5, -5, 8, 32),
        *ring(prism(rounded(plate(10, 4, 1.9), 0.5, 0).translate((14.2, 0)), -5, 8), 4),
    ]
    root = Manifold.batch_hull([box((-8, -15, 4), (-7, 15, 20)), box((10, -11, 4), (11, 11, 21))])
    slots = [box((-20, -3.8, 0), (6, 3.8, 30)), rod((0, -30, 12), (0, 30, 12), 2.2, 20)]
    windows = [
        Manifold.batch_hull([rod((x, 0, -10), (x, 0, 40), 3.2, 24), rod((x + 8, 0, -10), (x + 8, 0, 40), 2.6, 24)])
        for x in (28.0, 52.0, 76.0, 100.0)
    ]
    ties = []
    for x in (45.0, 69.0, 93.0):
        reach = float(np.interp(x, spine[:, 0], sizes)) - 0.5
        height = float(np.interp(x, spine[:, 0], spine[:, 2]))
        ties.append(rod((x, -reach, height), (x, reach, height), 1.0, 12))
    body = cut(union([beam(0.0, 0, len(spine)), root]), beam(1.0, 5, len(spine)), *windows, *slots)
    pod = cut(cup, *[m.translate((146, 0, 11)) for m in mount])
    return union([cut(body, cylinder(20, 0, 60, 56).translate((146, 0, 0))), pod, *ties])


def thrust_chamber_cooled() -> Manifold:
    """A small thrust chamber, 128 mm: waisted wall with twenty-four cooling channels between two ring manifolds."""
    contour = [
        (20.0, 0),
        (20.0, 44),
        (18.6, 53),
        (14.0, 64),
        (9.8, 72),
        (9.2, 76),
        (10.2, 81),
        (15.2, 95),
        (20.4, 110),
        (24.6, 124),
    ]
    fine = smooth_path(np.array([(r, 0.0, z) for r, z in contour]), 2)

    def skin(grow: float) -> list[tuple[float, float]]:
        return [(float(p[0]) + grow, float(p[2])) for p in fine]

    wall = turned([*skin(4.6), *skin(0.0)[::-1]], 72)
    lanes = []
    for i in range(24):
        sway = np.radians(8.0 * np.sin(np.linspace(0, math.pi, len(fine))))
        course = np.column_stack([(fine[:, 0] + 2.3) * np.cos(sway), (fine[:, 0] + 2.3) * np.sin(sway), fine[:, 2]])[
            2:-1
        ]
        lane = sweep(course, np.array([(0.8, 0.55), (-0.8, 0.55), (-0.8, -0.55), (0.8, -0.55)]))
        lanes.append(lane.rotate((0, 0, 15.0 * i)))
    rings, hollows = [], []
    for radius, z, size in ((26.0, 7.0, 6.0), (29.0, 117.0, 5.6)):
        a = np.linspace(0, 2 * math.pi, 48, endpoint=False)
        circle = np.column_stack([radius * np.cos(a), radius * np.sin(a), np.full(48, z)])
        rings.append(tube(circle, size, 14, closed=True))
        hollows.append(tube(circle, size - 1.6, 12, closed=True))
    gates = [
        rod((21.9 if z < 50 else 23.4, 0, z), (27 if z < 50 else 29, 0, z), 1.0, 8).rotate((0, 0, 15.0 * i))
        for i in range(24)
        for z in (7.0, 117.0)
    ]
    ports = [rod((29, 0, 7), (44, 0, 7), 5.5, 28), rod((-31, 0, 117), (-44, 0, 117), 5.5, 28)]
    drills = [rod((27, 0, 7), (60, 0, 7), 3.4, 24), rod((-30, 0, 117), (-60, 0, 117), 3.4, 24)]
    flange = cut(cylinder(36, 0, 4, 80), *ring(bore((33.2, 0), 1.5, -1, 5, 16), 12, 15))
    inside = turned([(0, -1), (20, -1), *skin(0.0), (24.8, 126), (0, 126)], 72)
    return cut(cut(union([wall, *rings, *ports, flange]), inside), *lanes, *hollows, *gates, *drills)


def lattice_panel_hollow() -> Manifold:
    """A lattice-cored panel, 82 x 52 mm: two pierced skins on a body-centred strut core, four inserts."""
    pitch, nx, ny, nz = 10.0, 8, 5, 2
    seats = [(x, y) for x in (10.0, 70.0) for y in (10.0, 40.0)]
    struts = []
    for i in range(nx):
        for j in range(ny):
            for k in range(nz):
                base = np.array([i, j, k]) * pitch
                middle = base + pitch / 2
                for corner in ((0, 0, 0), (1, 1, 0), (1, 0, 1), (0, 1, 1), (1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1, 1)):
                    struts.append(rod(tuple(base + np.array(corner) * pitch), tuple(middle), 0.8, 4))
    core = union(struts) ^ box((0, 0, -0.6), (80, 50, 20.6))
    skin = prism(plate(82, 52, 4).translate((40, 25)), 0, 1.0)
    windows = [
        prism(rounded(plate(6.6, 6.6, 2), 0.2, 0).translate((pitch * i + 5, pitch * j + 5)), -2, 3)
        for i in range(nx)
        for j in range(ny)
        if not any(math.hypot(pitch * i + 5 - x, pitch * j + 5 - y) < 8 for x, y in seats)
    ]
    pierced = cut(skin, *windows)
    sockets = [bore(s, 4.6, 0, 20, 24) for s in seats]
    holes = [bore(s, 2.2, -5, 30, 20) for s in seats]
    return cut(union([pierced.translate((0, 0, -0.5)), pierced.translate((0, 0, 19.5)), core, *sockets]), *holes)
