"""Plates of parts on machines: the published problems behind two of the planning benchmarks, told in their own terms.

A build holds parts that lie on one plate without touching; it takes ``setup + max tall + sum exposure`` of its parts on
its machine; it starts when its machine is free and its last part is released; every part of it finishes with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from shapely import Polygon
from shapely.affinity import rotate
from shapely.geometry.base import BaseGeometry

Ring = tuple[tuple[float, float], ...]
Goal = Literal["tardiness", "completion", "makespan"]
UNTURNED = (0.0,)
_NEAR = 1e-9
RIGHT_ANGLES = (0.0, 90.0, 180.0, 270.0)


@dataclass(frozen=True, slots=True)
class Part:
    """One piece: its outline (first ring; further rings are holes), allowed angles in degrees, dates in time units."""

    rings: tuple[Ring, ...]
    angles: tuple[float, ...] = UNTURNED
    release: float = 0.0
    due: float = 0.0

    def region(self) -> BaseGeometry:
        """The outline in its own coordinates."""
        return Polygon(self.rings[0], self.rings[1:])


@dataclass(frozen=True, slots=True)
class Machine:
    """A plate and what a build on it takes. ``tall`` and ``exposure`` by part; ``tall`` None: the part is too tall."""

    width: float
    depth: float
    margin: float
    spacing: float
    setup: float
    tall: tuple[float | None, ...]
    exposure: tuple[float, ...]
    layer: float = 1.0
    """Time units of ``tall`` that the planner's model counts as one layer."""

    def duration(self, parts: Sequence[int]) -> float:
        """Time units of a build of these parts. Raises ``ValueError`` for a part that is too tall."""
        tall = [self.tall[i] for i in parts]
        if any(t is None for t in tall):
            raise ValueError("a part is taller than the machine")
        return self.setup + max(t for t in tall if t is not None) + sum(self.exposure[i] for i in parts)


@dataclass(frozen=True, slots=True)
class PlatesProblem:
    """``unit``: time units that make one minute of the planner's clock."""

    parts: tuple[Part, ...]
    machines: tuple[Machine, ...]
    goal: Goal
    unit: float = 1.0


@dataclass(frozen=True, slots=True)
class Put:
    """Where a part stands: turned about its own (0, 0) by ``angle`` degrees counter-clockwise, then shifted."""

    part: int
    x: float
    y: float
    angle: float


@dataclass(frozen=True, slots=True)
class Build:
    """One build as an engine states it."""

    machine: int
    begin: float
    puts: tuple[Put, ...]


def timed(problem: PlatesProblem, queues: Sequence[Sequence[Sequence[Put]]]) -> tuple[Build, ...]:
    """Builds at their earliest moments, machine by machine in the order given."""
    made: list[Build] = []
    for number, queue in enumerate(queues):
        free = 0.0
        for puts in queue:
            parts = [p.part for p in puts]
            begin = max([free, *(problem.parts[i].release for i in parts)])
            made.append(Build(number, begin, tuple(puts)))
            free = begin + problem.machines[number].duration(parts)
    return tuple(made)


def takes(problem: PlatesProblem, machine: int, part: int) -> bool:
    """Whether a part finds room alone on a machine's empty plate, in its height and in some allowed turn."""
    m = problem.machines[machine]
    if m.tall[part] is None:
        return False
    room = (m.width - 2 * m.margin + _NEAR, m.depth - 2 * m.margin + _NEAR)
    region = problem.parts[part].region()
    for angle in problem.parts[part].angles:
        x0, y0, x1, y1 = rotate(region, angle, origin=(0, 0)).bounds
        if x1 - x0 <= room[0] and y1 - y0 <= room[1]:
            return True
    return False
