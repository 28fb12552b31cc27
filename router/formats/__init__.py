"""Files in and out: the scenario folder (FORMAT.md), plans and results, tables."""

from __future__ import annotations

from router.formats.line_remarks import line_remarks
from router.formats.network_file import read_network
from router.formats.part_remarks import part_remarks
from router.formats.plan_file import (
    PLAN_FILE,
    RESULT_FILE,
    plan_from_json,
    plan_to_json,
    result_from_json,
    result_to_json,
)
from router.formats.result_folder import read_plan, read_result, refuse_foreign, write_result
from router.formats.scenario_folder import check_scenario, look_at_scenario, read_scenario
from router.formats.tables import all_tables

__all__ = [
    "PLAN_FILE",
    "RESULT_FILE",
    "all_tables",
    "check_scenario",
    "line_remarks",
    "look_at_scenario",
    "part_remarks",
    "plan_from_json",
    "plan_to_json",
    "read_network",
    "read_plan",
    "read_result",
    "read_scenario",
    "refuse_foreign",
    "result_from_json",
    "result_to_json",
    "write_result",
]
