"""What a person should look at before relying on the plan: lines left out, and parts with remarks."""

from __future__ import annotations

from dataclasses import dataclass

from router.domain.network import Scenario
from router.domain.orders import OrderLine
from router.domain.plan import Plan
from router.report.wording import count


@dataclass(frozen=True, slots=True)
class PartNote:
    """Remarks on one part, and the lines that order it."""

    model: str
    remarks: tuple[str, ...]
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A line that is not planned, with every reason."""

    line: OrderLine
    reasons: tuple[str, ...]


def part_notes(scenario: Scenario) -> tuple[PartNote, ...]:
    """Parts that are not closed, hold closed hollows or carry notes of their own, by name."""
    lines: dict[str, list[str]] = {}
    for line in scenario.lines:
        lines.setdefault(line.model, []).append(line.line_id)
    found = []
    for model, facts in sorted(scenario.parts.items()):
        remarks = list(facts.notes)
        if not facts.closed:
            remarks.insert(0, "Not closed: its volume, and with it powder and exposure, is not to be relied on.")
        if facts.closed_hollows:
            hollows = count(facts.closed_hollows, "closed hollow")
            remarks.insert(0, f"{hollows}: powder stays inside unless the part gets an escape hole.")
        if remarks and model in lines:
            found.append(PartNote(model, tuple(remarks), tuple(lines[model])))
    return tuple(found)


def unplanned_rows(scenario: Scenario, plan: Plan) -> tuple[LeftOut, ...]:
    """Lines the plan leaves out, in the plan's order."""
    return tuple(LeftOut(scenario.line[u.line_id], u.reasons) for u in plan.unplanned if u.line_id in scenario.line)
