"""The list of the next two days holds each activity that begins then, and nothing else."""

from __future__ import annotations

from router.domain.network import Scenario
from router.domain.result import Result
from router.report.hands_on import AHEAD, next_activities
from router.report.wording import anchors


def test_next_activities_are_complete_and_in_order(run: tuple[Scenario, Result]) -> None:
    scenario, result = run
    plan = result.plan
    listed = next_activities(scenario, plan, anchors("build", (b.build_id for b in plan.builds)))
    assert [s.site for s in listed] == [s.name for s in scenario.network.sites]
    until = plan.now + AHEAD
    expected = 0
    for build in plan.builds:
        moments = [build.load_start, build.unload_start]
        if build.changeover:
            moments.append(build.changeover.start)
        expected += sum(1 for m in moments if m < until)
    rows = [row for site in listed for row in site.rows]
    assert len(rows) == expected > 0
    assert {row.what.split(",")[0] for row in rows} <= {"load and start", "unload", "change over"}
