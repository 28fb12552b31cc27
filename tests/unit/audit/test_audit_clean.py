"""The auditor finds nothing in a plan worked out by hand, and says what it looked at."""

from __future__ import annotations

from dataclasses import replace

from router.audit import audit
from router.audit.auditor import CHECKS
from router.audit.finding import Finding
from router.domain.network import Scenario
from router.domain.plan import Plan


def test_a_plan_worked_out_by_hand_is_without_fault(scenario: Scenario, plan: Plan) -> None:
    report = audit(scenario, plan)
    assert [f.sentence() for f in report.findings] == []
    assert report.clean
    assert report.totals == plan.totals


def test_every_check_looked_at_something(scenario: Scenario, plan: Plan) -> None:
    checked = dict(audit(scenario, plan).checked)
    assert all(times > 0 for times in checked.values())
    assert len(checked) >= len(CHECKS)
    assert checked["lots"] == 3 * len(plan.lots)
    assert checked["totals"] == 6
    # Pairs on the plates of 6, 2, 2 and 2 pieces.
    assert checked["pairs of pieces apart"] == 15 + 1 + 1 + 1


def test_an_empty_plan_leaves_every_line_nowhere(scenario: Scenario, plan: Plan) -> None:
    empty = replace(plan, builds=(), lots=(), shipments=(), unplanned=())
    report = audit(scenario, empty)
    nowhere = [f.where for f in report.findings if f.code == "line-nowhere"]
    assert nowhere == [f"line L{n}" for n in range(1, 6)]
    assert report.totals.landed_cents == 0
    assert report.codes() == {"line-nowhere", "wrong-total"}


def test_a_finding_reads_as_a_sentence() -> None:
    finding = Finding("pieces-too-close", "build b1, pieces 1 and 2", "3.000 mm apart", "at least 5 mm")
    assert finding.sentence() == (
        "build b1, pieces 1 and 2: pieces too close: found 3.000 mm apart; expected at least 5 mm"
    )
