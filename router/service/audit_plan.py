"""Audit a plan file against a scenario folder."""

from __future__ import annotations

from pathlib import Path

from router.audit import AuditReport, audit
from router.formats import read_plan, read_scenario
from router.kernel.faults import FaultyInput
from router.service.same_scenario import other_scenario


def audit_plan_file(folder: Path, plan_file: Path, cache_dir: Path | None = None) -> AuditReport:
    """Re-derive everything from the scenario and the plan file alone.

    Raises FaultyInput for a faulty folder, a plan file that cannot be read as one, and a plan of another scenario:
    nearly everything in it would be a finding.
    """
    plan = read_plan(plan_file)
    scenario = read_scenario(folder, cache_dir)
    if faults := other_scenario(plan, scenario, plan_file):
        raise FaultyInput(faults)
    return audit(scenario, plan)
