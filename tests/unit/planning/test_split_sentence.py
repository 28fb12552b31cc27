"""A line split over sites: its sentence says of every part when it arrives, not of the first part for all."""

from __future__ import annotations

from dataclasses import replace

from toy_scenario import toy_scenario

from router.domain.result import LineOptions, Result
from router.planning import RunParams, plan_scenario


def test_parts_that_arrive_unlike_are_told_one_by_one() -> None:
    result = _overfull()
    site_names = {"S1": "Northford", "S2": "Westhaven", "S3": "Eastwick"}
    unlike = [o for o in result.options if len(_late_days(result, o)) > 1]
    assert unlike
    for options in unlike:
        assert "all of it" not in options.sentence
        for site_id, days in _late_days(result, options).items():
            due = "in time" if not days else f"{days} day{'s' if days > 1 else ''} late"
            pieces = _pieces_at(result, options.line_id, site_id)
            assert f"from {site_names[site_id]} {due}" in options.sentence
            assert f" {pieces} of its " in options.sentence or f" {pieces} from " in options.sentence


def _overfull() -> Result:
    """Orders far beyond what one site can do in time, all of which may be split."""
    scenario = toy_scenario(12, 1)
    lines = tuple(
        replace(
            x, may_split_sites=True, quantity=12 * x.quantity, accreditations=(), approved_sites=(), export_control=None
        )
        for x in scenario.lines
    )
    return plan_scenario(replace(scenario, lines=lines), RunParams(seed=1, seconds=None, work=3))


def _late_days(result: Result, options: LineOptions) -> dict[str, int]:
    """By site; empty for lines whose parts are all told the same."""
    days = {s.site_id: s.late_days for s in result.plan.shipments if s.line_id == options.line_id}
    return days if len(set(days.values())) > 1 else {}


def _pieces_at(result: Result, line_id: str, site_id: str) -> int:
    mine = {b for s in result.plan.shipments if (s.line_id, s.site_id) == (line_id, site_id) for b in s.build_ids}
    return sum(1 for b in result.plan.builds if b.build_id in mine for p in b.pieces if p.line_id == line_id)
