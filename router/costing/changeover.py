"""Changing the alloy of a machine: how long, how dear, or never."""

from __future__ import annotations

from dataclasses import dataclass

from router.domain.alloys import Alloy
from router.domain.machines import ChangeoverRule, Machine
from router.domain.network import Network
from router.kernel.money import round_cents
from router.worktime import whole_minutes


@dataclass(frozen=True, slots=True)
class ChangeoverTerms:
    """What one change of alloy takes."""

    minutes: int
    """Attended work."""
    hours: float
    cost_cents: int


NO_CHANGEOVER = ChangeoverTerms(0, 0.0, 0)


def changeover_rule(network: Network, leaving_alloy_id: str, entering_alloy_id: str) -> ChangeoverRule | None:
    """First rule that matches by alloy id, family or ``*``; None when none does."""
    leaving, entering = network.alloy[leaving_alloy_id], network.alloy[entering_alloy_id]
    for rule in network.changeovers:
        if _matches(rule.leaving, leaving) and _matches(rule.entering, entering):
            return rule
    return None


def changeover(
    network: Network, leaving_alloy_id: str | None, entering_alloy_id: str, machine: Machine
) -> ChangeoverTerms | None:
    """Terms of a changeover (RULES.md, sections 3 and 4).

    Nothing to do (0 minutes, 0 cents) when the alloy is loaded already or nothing is loaded; None when the change
    is never made, by a rule that says so or because no rule allows it.
    """
    if leaving_alloy_id is None or leaving_alloy_id == entering_alloy_id:
        return NO_CHANGEOVER
    rule = changeover_rule(network, leaving_alloy_id, entering_alloy_id)
    if rule is None or rule.hours is None:
        return None
    labour = network.site[machine.site_id].labour_cents_per_h
    return ChangeoverTerms(
        minutes=whole_minutes(60 * rule.hours),
        hours=rule.hours,
        cost_cents=round_cents(rule.hours * (machine.rate_cents_per_h + labour)) + rule.consumables_cents,
    )


def _matches(pattern: str, alloy: Alloy) -> bool:
    return pattern in ("*", alloy.alloy_id, alloy.family)
