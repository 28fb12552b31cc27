"""Lists of real parts on unlike machines: makespan and total completion. No value is published; compare in one run."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from tests.bench.plan_case import PlanCase
from tests.bench.plates_bound import completion_bound, makespan_bound
from tests.bench.plates_engines import engines, prepare_cpsat, warm_up
from tests.bench.plates_problem import RIGHT_ANGLES, Goal, Machine, Part, PlatesProblem

SPACING_MM, MARGIN_MM = 2.0, 5.0
MINUTE_S = 60.0
#: The file tells recoating by height; layers this thick keep the rounding of heights below a few seconds a build.
LAYER_MM = 0.01
AUTO_S = 60.0
_GOALS: tuple[Goal, ...] = ("completion", "makespan")


def real_cases(record: Mapping[str, Any]) -> Iterator[PlanCase]:
    """Both goals of every list of the file; values in seconds."""
    for entry in record["instances"]:
        for goal in _GOALS:
            problem = real_problem(record, entry, goal)
            yield PlanCase(
                name=f"{entry['name']}/{goal}",
                family=f"real parts, {goal}, {len(entry['machines'])} machines",
                goal=goal,
                size=len(problem.parts),
                best_known=None,
                bound=makespan_bound(problem) if goal == "makespan" else completion_bound(problem),
                engines=engines(problem),
                auto_seconds=AUTO_S,
                warm_up=warm_up(problem),
                prepare_cpsat=prepare_cpsat(problem),
                note=f"plate edge {MARGIN_MM:g} mm, spacing {SPACING_MM:g} mm, right angles; values in seconds",
            )


def real_problem(record: Mapping[str, Any], entry: Mapping[str, Any], goal: Goal) -> PlatesProblem:
    """One list as a problem in seconds. ``Machine.tall`` is recoating, ``exposure`` melting of body and supports."""
    listed = [record["parts"][i] for i in entry["parts"]]
    machines = []
    for number in entry["machines"]:
        m = record["machines"][number]
        machines.append(
            Machine(
                width=m["plate_x_mm"],
                depth=m["plate_y_mm"],
                margin=MARGIN_MM,
                spacing=SPACING_MM,
                setup=m["setup_s"],
                tall=tuple(
                    p["height_mm"] * m["recoat_s_per_mm"] if p["height_mm"] <= m["height_mm"] else None for p in listed
                ),
                exposure=tuple(
                    p["volume_mm3"] * m["body_s_per_mm3"] + p["support_mm3"] * m["support_s_per_mm3"] for p in listed
                ),
                layer=m["recoat_s_per_mm"] * LAYER_MM,
            )
        )
    parts = tuple(
        Part(tuple(tuple((float(x), float(y)) for x, y in ring) for ring in record["projections"][i]), RIGHT_ANGLES)
        for i in entry["parts"]
    )
    return PlatesProblem(parts, tuple(machines), goal, unit=MINUTE_S)
