"""Audit a plan file against a scenario folder."""

from __future__ import annotations

from pathlib import Path

from router.audit import AuditReport, audit
from router.formats import plan_from_json, read_scenario
from router.kernel.faults import Fault, FaultyInput


def audit_plan_file(folder: Path, plan_file: Path, cache_dir: Path | None = None) -> AuditReport:
    """Re-derive everything from the scenario and the plan file alone.

    Raises FaultyInput for a faulty folder or a plan file that cannot be read as one.
    """
    try:
        text = plan_file.read_bytes()
    except OSError as error:
        raise FaultyInput(
            [Fault(str(plan_file), "", "", error.strerror or "an unreadable file", "a plan.json written by a run")]
        ) from error
    plan = plan_from_json(text, plan_file.name)
    return audit(read_scenario(folder, cache_dir), plan)
