"""Irregular tardiness: plates of true outlines on identical machines, minimum total tardiness.

Published by Nascimento, Silva, Antunes & Moniz (2024), *European Journal of Operational Research* 317(1), exact for
reference points on a 21 x 21 board (``by_board`` 441); free positions may do better.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from tests.bench.plan_case import PlanCase
from tests.bench.plates_bound import tardiness_bound
from tests.bench.plates_engines import engines, prepare_cpsat, prove_by_area, warm_up
from tests.bench.plates_problem import RIGHT_ANGLES, UNTURNED, Machine, Part, PlatesProblem, Ring

SIDE = 20.0
BOARD = "441"
#: Parts up to which the shorter of the two time limits holds, and the limits in seconds.
FEW_PARTS, FEW_S, MANY_S = 30, 10.0, 60.0


def irregular_cases(records: Sequence[Mapping[str, Any]], rotate: bool) -> Iterator[PlanCase]:
    """Cases of a file: its first record holds the polygon sets."""
    polygons = records[0]["polygons"]
    for record in records[1:]:
        problem = irregular_problem(record, polygons[record["pieces"]], rotate)
        known = record["by_board"].get(BOARD, {}).get("total_tardiness")
        bound = tardiness_bound(problem)
        yield PlanCase(
            name=record["name"] + ("/turned" if rotate else ""),
            family=f"irregular {record['n']} parts" + (", turned" if rotate else ""),
            goal="tardiness",
            size=record["n"],
            best_known=None if known is None else float(known),
            bound=bound,
            engines=engines(problem),
            warm_up=warm_up(problem),
            # Not asked where the published plan meets the closed form already.
            prove=None if known is not None and known <= bound else prove_by_area(problem, bound),
            prepare_cpsat=prepare_cpsat(problem),
            auto_seconds=FEW_S if record["n"] <= FEW_PARTS else MANY_S,
        )


def irregular_problem(
    record: Mapping[str, Any], polygons: Sequence[Sequence[Sequence[float]]], rotate: bool
) -> PlatesProblem:
    """One record as a problem; time units are those of the file."""
    jobs = record["jobs"]
    machine = Machine(
        width=SIDE,
        depth=SIDE,
        margin=0.0,
        spacing=0.0,
        setup=0.0,
        tall=tuple(float(j[0]) for j in jobs),
        exposure=(0.0,) * len(jobs),
    )
    parts = tuple(
        Part((_ring(polygons[i]),), RIGHT_ANGLES if rotate else UNTURNED, float(release), float(due))
        for i, (_, release, due) in enumerate(jobs)
    )
    return PlatesProblem(parts, (machine,) * record["machines"], "tardiness")


def _ring(points: Sequence[Sequence[float]]) -> Ring:
    return tuple((float(x), float(y)) for x, y in points)
