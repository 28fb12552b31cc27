"""The check that trusts no engine: every part once, on its plate, clear of the others; times and value anew."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from itertools import pairwise

from shapely import STRtree
from shapely.affinity import rotate, translate
from shapely.geometry.base import BaseGeometry

from tests.bench.plates_problem import Build, PlatesProblem

#: Deepest overlap, and reach over the edge, that counts as touching, as a share of the plate's longer side.
TOLERANCE_SHARE = 1e-6
_SOON = 1e-6


def plan_faults(problem: PlatesProblem, builds: Sequence[Build]) -> list[str]:
    """What is wrong with a plan; empty when it is right."""
    found: list[str] = []
    counted = Counter(p.part for b in builds for p in b.puts)
    for number in range(len(problem.parts)):
        if counted[number] != 1:
            found.append(f"part {number} stands on {counted[number]} plates, 1 asked")
    for number, build in enumerate(builds):
        found.extend(f"build {number}: {text}" for text in _plate_faults(problem, build))
    found.extend(_time_faults(problem, builds))
    return found


def plan_value(problem: PlatesProblem, builds: Sequence[Build]) -> float:
    """Total tardiness, total completion or makespan in time units."""
    total = last = 0.0
    for build in builds:
        end = build.begin + problem.machines[build.machine].duration([p.part for p in build.puts])
        last = max(last, end)
        for put in build.puts:
            total += end if problem.goal == "completion" else max(0.0, end - problem.parts[put.part].due)
    return last if problem.goal == "makespan" else total


def _time_faults(problem: PlatesProblem, builds: Sequence[Build]) -> list[str]:
    found: list[str] = []
    queues: dict[int, list[tuple[float, float]]] = defaultdict(list)
    for build in builds:
        parts = [p.part for p in build.puts]
        try:
            end = build.begin + problem.machines[build.machine].duration(parts)
        except ValueError as wrong:
            found.append(f"machine {build.machine}: {wrong}")
            continue
        late = max((problem.parts[i].release for i in parts), default=0.0)
        if build.begin < late - _SOON:
            found.append(f"machine {build.machine}: a build begins at {build.begin:g}, its last part comes at {late:g}")
        queues[build.machine].append((build.begin, end))
    for number, spans in queues.items():
        spans.sort()
        for (_, end), (begin, _) in pairwise(spans):
            if begin < end - _SOON:
                found.append(f"machine {number}: a build begins at {begin:g} while one runs until {end:g}")
    return found


def _plate_faults(problem: PlatesProblem, build: Build) -> list[str]:
    found: list[str] = []
    machine = problem.machines[build.machine]
    tolerance = TOLERANCE_SHARE * max(machine.width, machine.depth)
    regions: list[BaseGeometry] = []
    if not build.puts:
        found.append("no part on it")
    for put in build.puts:
        part = problem.parts[put.part]
        if all(abs((put.angle - a + 180) % 360 - 180) > 1e-6 for a in part.angles):
            found.append(f"part {put.part}: angle {put.angle:g} is not allowed")
        region = translate(rotate(part.region(), put.angle, origin=(0, 0)), put.x, put.y)
        regions.append(region)
        x0, y0, x1, y1 = region.bounds
        m = machine.margin
        out = max(m - x0, m - y0, x1 - (machine.width - m), y1 - (machine.depth - m))
        if out > tolerance:
            found.append(f"part {put.part} reaches {out:.4g} over the edge")
    if len(regions) < 2:
        return found
    left, right = STRtree(regions).query(regions, predicate="dwithin", distance=machine.spacing)
    for i, j in zip(left.tolist(), right.tolist(), strict=True):
        if i >= j:
            continue
        pair = f"parts {build.puts[i].part} and {build.puts[j].part}"
        gap = float(regions[i].distance(regions[j]))
        if gap <= 0.0:
            common = regions[i].intersection(regions[j])
            if common.area > 0 and not common.buffer(-tolerance / 2).is_empty:
                found.append(f"{pair} overlap by an area of {common.area:.4g}")
                continue
        if gap < machine.spacing - tolerance:
            found.append(f"{pair} stand {gap:.4g} apart, {machine.spacing:g} asked")
    return found
