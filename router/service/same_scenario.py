"""Whether a plan was made from the scenario it is held against."""

from __future__ import annotations

from pathlib import Path

from router.domain.network import Scenario
from router.domain.plan import Plan
from router.kernel.faults import Fault


def other_scenario(plan: Plan, scenario: Scenario, where: Path) -> list[Fault]:
    """The fault of a plan of another scenario, or of one that was changed since; ``where`` the plan came from."""
    if plan.scenario_fingerprint == scenario.fingerprint:
        return []
    seen = f"a plan of the scenario {plan.scenario_fingerprint[:12]}"
    return [Fault(str(where), "plan", "scenario_fingerprint", seen, scenario.fingerprint[:12])]
