"""Valve trim and valve bodies: cages, plugs, seats, tortuous discs, a handwheel."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from manifold3d import CrossSection, Manifold

from scenarios.solids.forms import bore, box, cut, cylinder, limb, prism, ring, rod, tube, turned, union
from scenarios.solids.outlines import join


def valve_cage_windows() -> Manifold:
    """A flow cage, 84 mm across and 112 mm tall: four flow windows, two rows of drilled jets, end rings."""
    shell = turned([(34, 0), (42, 0), (42, 8), (39.5, 10), (39.5, 100), (42, 102), (42, 112), (36, 112), (34, 108)], 96)
    window = union(
        [
            Manifold.cylinder(30, 14, 14, 32).rotate((0, 90, 0)).translate((25, 0, 34)),
            Manifold.batch_hull(
                [
                    Manifold.cylinder(30, 14, 14, 32).rotate((0, 90, 0)).translate((25, 0, 34)),
                    Manifold.cylinder(30, 4, 4, 32).rotate((0, 90, 0)).translate((25, 0, 64)),
                ]
            ),
        ]
    )
    jets = []
    for row, height in enumerate((76.0, 84.0, 92.0)):
        jet = Manifold.cylinder(30, 2.0, 2.0, 12).rotate((0, 90, 0)).translate((25, 0, height))
        jets += ring(jet, 16, 11.25 * (row % 2))
    return cut(shell, *ring(window, 4), *jets)


def valve_plug_contoured() -> Manifold:
    """A contoured plug with stem, balance holes and a seating cone, 128 mm long."""
    curve = [(25.0 - 17.0 * (z / 30.0) ** 1.6, -z) for z in np.linspace(0, 30, 14)]
    profile = [(0.0, -30.0), *[(max(r, 1.0), z) for r, z in reversed(curve)]]
    profile += [(27.5, 2.5), (30.0, 5.0), (30.0, 9), (28.6, 9.8), (28.6, 12.2), (30, 13), (30, 22), (27, 25)]
    profile += [(12, 27), (8, 32), (8, 92), (6, 94), (6, 98), (0, 98)]
    body = turned(profile, 72)
    balance = ring(bore((18.5, 0), 2.6, -40, 40), 4)
    flat = box((-20, 5, 72), (20, 20, 84))
    return cut(body, *balance, flat, flat.rotate((0, 0, 180)))


def valve_seat_ring() -> Manifold:
    """A seat ring, 76 mm: seat cone, gasket groove, four spanner slots."""
    body = turned(
        [(25, 3), (27.5, 0), (38, 0), (38, 8), (34, 9), (34, 12), (38, 13), (38, 18), (32, 18), (30, 15.5), (25, 13)],
        96,
    )
    spanner = box((29, -3, 14.5), (45, 3, 20))
    groove = cut(cylinder(33.5, -1, 1.6, 96), cylinder(30.5, -2, 2, 96))
    return cut(body, *ring(spanner, 4), groove)


def trim_disc_tortuous() -> Manifold:
    """A pressure-letdown disc: twenty-four zig-zag channels from bore to rim between two thin faces."""
    body = cut(cylinder(36, 0, 7, 96), cylinder(18, -1, 8, 96))
    zigzag = [(15, 0), (20, 0), (20, 0.16), (24, 0.16), (24, -0.05), (28.5, -0.05), (28.5, 0.1), (32.5, 0.1)]
    zigzag += [(32.5, -0.02), (38, -0.02)]
    line = [(r * math.cos(a * 1.25), r * math.sin(a * 1.25)) for r, a in zigzag]
    steps = [
        CrossSection.batch_hull(
            [CrossSection.circle(0.75, 12).translate(p), CrossSection.circle(0.75, 12).translate(q)]
        )
        for p, q in pairwise(line)
    ]
    lower = prism(join(steps), 1.2, 3.0)
    upper = prism(join(steps).mirror((0, 1)), 4.0, 5.8)
    return cut(body, *ring(lower, 24), *ring(upper, 24, 7.5))


def handwheel_hollow() -> Manifold:
    """A five-spoke handwheel whose round rim is hollow and has no escape hole: powder stays shut inside."""
    angle = np.linspace(0, 2 * math.pi, 72, endpoint=False)
    circle = np.column_stack([52 * np.cos(angle), 52 * np.sin(angle), np.full(72, 14.0)])
    rim = tube(circle, 8.0, 20, closed=True)
    void = tube(circle, 5.8, 20, closed=True)
    spoke = limb([(10, 0, 6), (24, 3, 7), (38, 2, 11), (46, 0, 14)], [5.0, 4.2, 3.8, 4.4], 14)
    hub = turned([(0, 0), (13, 0), (15, 3), (13, 16), (11, 18), (0, 18)], 48)
    body = union([rim, hub, *ring(spoke, 5)])
    return cut(body, box((-4.5, -4.5, -1), (4.5, 4.5, 30)), void)


def pneumatic_valve_block() -> Manifold:
    """A compact air valve block: two spool bores, curved galleries between offset ports, fixing lugs."""
    shell = union(
        [
            rod((-38, -11, 16), (38, -11, 16), 10.5, 32),
            rod((-38, 11, 16), (38, 11, 16), 10.5, 32),
            box((-36, -12, 5.5), (36, 12, 8.0)),
            *[bore((x, y), 5.5, 0, 5, 32) for x in (-33, 33) for y in (-19, 19)],
            *[
                Manifold.batch_hull([bore((x, y), 5.5, 0, 5, 32), bore((x * 0.8, y * 0.4), 6, 0, 5, 32)])
                + Manifold.batch_hull([bore((x * 0.9, y * 0.55), 4, 0, 4, 24), bore((x * 0.9, y * 0.55), 4, 0, 18, 24)])
                for x in (-33, 33)
                for y in (-19, 19)
            ],
        ]
    )
    ports = []
    for i, x in enumerate((-24.0, -8.0, 8.0, 24.0)):
        sway = -6.0 if i % 2 else 6.0
        shell = shell + union([bore((x, 0), 6.2, 8, 34, 32), bore((x, 0), 7.4, 31, 36, 32)])
        ports += [
            bore((x, 0), 4.2, 25, 40, 24),
            limb([(x, 0, 26), (x + sway * 0.3, 5, 22), (x + sway, 11, 16)], [3, 2.8, 2.8], 14),
            limb([(x, 0, 26), (x - sway * 0.3, -5, 22), (x - sway, -11, 16)], [3, 2.8, 2.8], 14),
        ]
    spools = [rod((-50, y, 16), (50, y, 16), 6.0, 32) for y in (-11, 11)]
    fixings = [bore((x, y), 2.75, -1, 12) for x in (-33, 33) for y in (-19, 19)]
    return cut(shell, *spools, *ports, *fixings)
