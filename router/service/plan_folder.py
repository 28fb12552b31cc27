"""Plan a scenario folder and leave a result folder."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from pathlib import Path

from router.audit import AuditReport, audit
from router.domain.network import Scenario
from router.domain.result import Result
from router.formats import (
    PLAN_FILE,
    RESULT_FILE,
    all_tables,
    line_remarks,
    part_remarks,
    plan_to_json,
    read_scenario,
    refuse_foreign,
    result_to_json,
    write_result,
)
from router.kernel.run import Listener
from router.planning import RunParams, plan_scenario
from router.report import write_report

REPORT_FILE = "report.html"


@dataclass(frozen=True, slots=True)
class Planned:
    """What a run of the main job leaves behind."""

    scenario: Scenario
    result: Result
    audited: AuditReport
    folder: Path

    @property
    def remarks(self) -> tuple[str, ...]:
        """On models and lines that could be read but deserve a look."""
        scenario = self.scenario
        return part_remarks(scenario.parts, scenario.network) + line_remarks(scenario.lines, scenario.network)

    @property
    def report(self) -> Path:
        return self.folder / REPORT_FILE


def plan_folder(
    folder: Path,
    out: Path,
    params: RunParams,
    listener: Listener,
    cache_dir: Path | None = None,
    cancel: threading.Event | None = None,
    started: float | None = None,
) -> Planned:
    """Read, plan, audit, write. ``params.seconds`` count from ``started``, or from now.

    Raises FaultyInput with every fault before anything is written. The result folder appears whole or not at all. The
    auditor's findings are part of the result: a plan that breaks a rule is written, and says so.
    """
    started = time.monotonic() if started is None else started
    refuse_foreign(out)
    scenario = open_scenario(folder, listener, cache_dir)
    result = plan_scenario(scenario, params, listener, cancel, started)
    listener.phase("audit", None)
    audited = audit(scenario, result.plan)
    listener.phase("report", None)
    sentences = [f.sentence() for f in audited.findings]
    checks = sum(count for _, count in audited.checked)
    files = {
        PLAN_FILE: plan_to_json(result.plan),
        RESULT_FILE: result_to_json(result),
        REPORT_FILE: write_report(scenario, result, sentences, checks),
        **all_tables(result, scenario.network),
    }
    write_result(out, files)
    return Planned(scenario, result, audited, out)


def open_scenario(folder: Path, listener: Listener, cache_dir: Path | None = None) -> Scenario:
    """Read a scenario folder, telling the listener which model is being measured."""
    begun = False

    def measured(name: str, done: int, total: int) -> None:
        nonlocal begun
        if not begun:
            listener.phase("measuring part models", total)
            begun = True
        listener.step(done)

    listener.phase("reading the scenario", None)
    return read_scenario(folder, cache_dir, measured)
