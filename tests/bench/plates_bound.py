"""Values no plan of plates of parts can go below, in closed form."""

from __future__ import annotations

import math

from tests.bench.plates_problem import PlatesProblem


def tardiness_bound(problem: PlatesProblem) -> float:
    """Sum over parts of the tardiness of a part that starts at its release, alone, on the machine quickest for it."""
    return sum(max(0.0, alone - p.due) for alone, p in zip(_alone(problem), problem.parts, strict=True))


def completion_bound(problem: PlatesProblem) -> float:
    """Total completion of no plan is smaller; the largest of three.

    Every part alone at once. Then, a part of a build ends no sooner than the exposure of all parts before it on its
    machine, in the order of builds, and its own: at least the total completion of these exposures on parallel
    machines, shortest first (Conway, Maxwell & Miller (1967), *Theory of Scheduling*), plus once the least a build
    takes before any exposure; or, as every build takes that least anew and holds no more than a plate of area, with
    its share by area added to every exposure instead.
    """
    exposure, share, start = _least(problem)
    count = len(problem.machines)
    once = start * len(exposure) + _shortest_first(exposure, count)
    anew = _shortest_first([e + start * s for e, s in zip(exposure, share, strict=True)], count)
    return max(sum(_alone(problem)), once, anew)


def makespan_bound(problem: PlatesProblem) -> float:
    """No plan ends sooner than the longest part alone, nor than all exposure, and the least start of as many builds as
    the area needs, shared evenly by the machines."""
    exposure, share, start = _least(problem)
    builds = math.ceil(sum(share) - 1e-9)
    return max(*_alone(problem), (sum(exposure) + builds * start) / len(problem.machines))


def _alone(problem: PlatesProblem) -> list[float]:
    return [
        min(p.release + m.duration([i]) for m in problem.machines if m.tall[i] is not None)
        for i, p in enumerate(problem.parts)
    ]


def _least(problem: PlatesProblem) -> tuple[list[float], list[float], float]:
    """Of each part: its exposure on the quickest machine and its share of the largest plate; least start of a build.

    Parts widened by half the spacing are disjoint within the room inside the margin widened alike.
    """
    machines = problem.machines
    exposure = [min(m.exposure[i] for m in machines if m.tall[i] is not None) for i in range(len(problem.parts))]
    room = max((m.width - 2 * m.margin + m.spacing) * (m.depth - 2 * m.margin + m.spacing) for m in machines)
    half = min(m.spacing for m in machines) / 2
    # The rounded corners are drawn inside the true ones, so the areas are not too large.
    share = [float(p.region().buffer(half, quad_segs=8).area) / room for p in problem.parts]
    start = min(m.setup + t for m in machines for t in m.tall if t is not None)
    return exposure, share, start


def _shortest_first(times: list[float], machines: int) -> float:
    """Least total completion of jobs on identical machines: the k-th longest counts ceil(k / machines) times."""
    return sum(t * math.ceil(k / machines) for k, t in enumerate(sorted(times, reverse=True), start=1))
