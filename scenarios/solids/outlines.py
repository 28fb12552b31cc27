"""Flat outlines (mm): rounded plates, gear and sprocket teeth, blade thickness along a chord."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from manifold3d import CrossSection, FillRule, OpType
from numpy.typing import ArrayLike, NDArray

from scenarios.solids.forms import Points


def polygon(points: ArrayLike) -> CrossSection:
    """A filled outline whichever way round its corners are listed."""
    return CrossSection([np.asarray(points, dtype=np.float64)], FillRule.NonZero)


def disc(radius: float, centre: tuple[float, float] = (0.0, 0.0), segments: int = 48) -> CrossSection:
    """A filled circle."""
    return CrossSection.circle(radius, segments).translate(centre)


def join(outlines: Sequence[CrossSection]) -> CrossSection:
    """All the outlines in one."""
    return CrossSection.batch_boolean(list(outlines), OpType.Add)


def rounded(outline: CrossSection, outer: float, inner: float) -> CrossSection:
    """Outer corners rounded by ``outer`` mm and inner corners filled by ``inner`` mm."""
    grown = outline.offset(-outer, circular_segments=24).offset(outer + inner, circular_segments=24)
    return grown.offset(-inner, circular_segments=24).simplify(0.01)


def plate(width: float, depth: float, corner: float) -> CrossSection:
    """A rectangle about the origin with round corners."""
    return rounded(CrossSection.square((width, depth), True), corner, 0.0)


def tapered_bar(a: tuple[float, float], r_a: float, b: tuple[float, float], r_b: float) -> CrossSection:
    """Two discs and the belt around them: a lever arm seen from above."""
    return CrossSection.batch_hull([disc(r_a, a), disc(r_b, b)])


def blade_thickness(stations: int, peak: float, edge: float) -> NDArray[np.float64]:
    """Thickness along a chord: round nose, thickest at about a third, thin tail not below ``edge`` mm.

    The shape is the four-digit thickness law of NACA report 460 scaled to ``peak``.
    """
    x = np.linspace(0.0, 1.0, stations)
    law = 0.2969 * np.sqrt(x) - 0.1260 * x - 0.3516 * x**2 + 0.2843 * x**3 - 0.1015 * x**4
    return np.asarray(np.maximum(law / law.max() * peak, edge))


def ribbon(centre_line: ArrayLike, thickness: ArrayLike) -> CrossSection:
    """A curved strip of given thickness (one value or one per point) along a flat ``(n, 2)`` line."""
    line = np.asarray(centre_line, dtype=np.float64)
    tangent = np.gradient(line, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1)[:, None]
    half = 0.5 * np.broadcast_to(np.asarray(thickness, dtype=np.float64), (len(line),))[:, None]
    side = half * np.column_stack([-tangent[:, 1], tangent[:, 0]])
    return polygon(np.vstack([line + side, (line - side)[::-1]]))


def involute_gear(module: float, teeth: int, pressure_deg: float = 20.0, flank_points: int = 6) -> CrossSection:
    """A spur gear outline with involute flanks; addendum 1 module, dedendum 1.25 modules (ISO 53 proportions)."""
    pitch = 0.5 * module * teeth
    base = pitch * math.cos(math.radians(pressure_deg))
    tip, root = pitch + module, pitch - 1.25 * module

    def spread(radius: float) -> float:
        roll = math.sqrt(max((radius / base) ** 2 - 1.0, 0.0))
        return roll - math.atan(roll)

    half_pitch_angle = math.pi / (2 * teeth) + spread(pitch)
    start = max(base, root)
    points: list[tuple[float, float]] = []
    for tooth in range(teeth):
        centre = 2 * math.pi * tooth / teeth
        flank = [(r, half_pitch_angle - spread(r)) for r in np.linspace(start, tip, flank_points)]
        if root < base:
            flank.insert(0, (root, half_pitch_angle))
        points += [(r * math.cos(centre - a), r * math.sin(centre - a)) for r, a in flank]
        points += [(r * math.cos(centre + a), r * math.sin(centre + a)) for r, a in reversed(flank)]
    return polygon(points)


def chain_wheel(pitch: float, teeth: int, roller_radius: float) -> CrossSection:
    """A roller chain sprocket: a tip disc with roller seats cut on the pitch circle and pointed, relieved teeth."""
    pitch_radius = pitch / (2 * math.sin(math.pi / teeth))
    tip_radius = pitch_radius + 0.75 * roller_radius
    seats = []
    for tooth in range(teeth):
        angle = 360.0 * tooth / teeth
        relief = polygon(
            [
                (0.0, -roller_radius),
                (2.5 * roller_radius, -1.9 * roller_radius),
                (2.5 * roller_radius, 1.9 * roller_radius),
                (0.0, roller_radius),
            ]
        )
        seat = CrossSection.circle(roller_radius, 24) + relief
        seats.append(seat.translate((pitch_radius, 0.0)).rotate(angle))
    return disc(tip_radius, segments=96) - join(seats)


def slot(length: float, width: float) -> CrossSection:
    """A round-ended slot along x about the origin."""
    reach = 0.5 * (length - width)
    return tapered_bar((-reach, 0.0), 0.5 * width, (reach, 0.0), 0.5 * width)


def arc_points(radius: float, from_deg: float, to_deg: float, count: int) -> Points:
    """``(count, 2)`` points of an arc."""
    angle = np.radians(np.linspace(from_deg, to_deg, count))
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])


def sector(radius: float, from_deg: float, to_deg: float) -> CrossSection:
    """A pie slice from the origin."""
    return polygon(np.vstack([[[0.0, 0.0]], arc_points(radius, from_deg, to_deg, 48)]))
