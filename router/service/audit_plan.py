"""Audit a plan file against a scenario folder."""

from __future__ import annotations

from pathlib import Path

from router.audit import AuditReport, audit
from router.formats import read_plan, read_scenario


def audit_plan_file(folder: Path, plan_file: Path, cache_dir: Path | None = None) -> AuditReport:
    """Re-derive everything from the scenario and the plan file alone.

    Raises FaultyInput for a faulty folder or a plan file that cannot be read as one.
    """
    plan = read_plan(plan_file)
    return audit(read_scenario(folder, cache_dir), plan)
