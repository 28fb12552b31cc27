"""Which rule governs a change of alloy, and whether a machine can come to an alloy at all."""

from __future__ import annotations

from router.domain.machines import ChangeoverRule, Machine
from router.domain.network import Network


def change_rule(net: Network, leaving: str | None, entering: str) -> ChangeoverRule | None:
    """The first rule that matches by alloy id, family or ``*``; None when no rule does, or nothing is left."""
    if leaving is None:
        return None

    def matches(pattern: str, alloy_id: str) -> bool:
        alloy = net.alloy.get(alloy_id)
        return pattern in ("*", alloy_id) or (alloy is not None and pattern == alloy.family)

    return next((r for r in net.changeovers if matches(r.leaving, leaving) and matches(r.entering, entering)), None)


def within_reach(net: Network, machine: Machine, alloy_id: str) -> bool:
    """RULES.md, section 2, point 10: loaded, or one permitted change away. A change no rule covers is not made."""
    if machine.loaded_alloy_id is None or machine.loaded_alloy_id == alloy_id:
        return True
    rule = change_rule(net, machine.loaded_alloy_id, alloy_id)
    return rule is not None and rule.hours is not None
