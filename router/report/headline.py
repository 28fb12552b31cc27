"""The first lines of the report: what was planned, what it costs, how good that provably is, was it checked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from router.domain.network import Scenario
from router.domain.result import Result
from router.report.wording import count, money, number, percent


@dataclass(frozen=True, slots=True)
class Claim:
    """A figure of the headline: a word, the figure, a sentence below. ``mood``: ``good``, ``bad`` or ``plain``."""

    name: str
    value: str
    sentence: str
    mood: str


def what_was_planned(scenario: Scenario, result: Result) -> str:
    """One sentence with lines, pieces, builds and sites."""
    plan = result.plan
    machine = scenario.network.machine
    lines = len({s.line_id for s in plan.shipments})
    pieces = sum(s.pieces for s in plan.shipments)
    sites = len({machine[b.machine_id].site_id for b in plan.builds})
    machines = len({b.machine_id for b in plan.builds})
    text = (
        f"{count(lines, 'line')} with {count(pieces, 'piece')} in {count(len(plan.builds), 'build')} "
        f"on {count(machines, 'machine')} at {count(sites, 'site')}"
    )
    if plan.unplanned:
        text += f"; {count(len(plan.unplanned), 'line')} could not be planned"
    return text + "."


def claims(scenario: Scenario, result: Result, findings: Sequence[str], checks: int) -> tuple[Claim, ...]:
    """The figures of the headline, the most asked for first."""
    return (
        _landed(scenario, result),
        _saving(scenario, result),
        _late(result),
        _bound(scenario, result),
        _audit(findings, checks),
    )


def _landed(scenario: Scenario, result: Result) -> Claim:
    k, currency = result.kpis, scenario.network.currency
    pieces = sum(s.pieces for s in result.plan.shipments)
    each = f"{money(round(k.landed_cents / pieces), currency, 2)} a piece" if pieces else "no piece"
    return Claim(
        "Landed cost", money(k.landed_cents, currency), f"{each}, delivered, with carbon and lateness.", "plain"
    )


def _saving(scenario: Scenario, result: Result) -> Claim:
    saved = result.habit_kpis.landed_cents - result.kpis.landed_cents
    habit = result.habit_kpis.landed_cents
    share = f", {percent(abs(saved) / habit)}" if habit else ""
    word = "less" if saved >= 0 else "more"
    unlike = (
        f" Habit plans {count(result.habit_kpis.lines_planned, 'line')}, so the two are not quite alike."
        if result.habit_kpis.lines_planned != result.kpis.lines_planned
        else ""
    )
    return Claim(
        "Saving" if saved >= 0 else "Dearer than habit",
        money(abs(saved), scenario.network.currency),
        f"{word[0].upper()}{word[1:]} than today\u2019s habit{share}.{unlike}",
        "good" if saved > 0 else "bad" if saved < 0 else "plain",
    )


def _late(result: Result) -> Claim:
    k, habit = result.kpis, result.habit_kpis
    return Claim(
        "Late lines",
        number(k.late_lines),
        f"{percent(k.on_time_share)} of lines on time; {count(k.late_days, 'late day')}. "
        f"Habit: {count(habit.late_lines, 'late line')}.",
        "bad" if k.late_lines else "good",
    )


def _bound(scenario: Scenario, result: Result) -> Claim:
    if result.bound_cents is None or result.gap is None:
        return Claim("Proven gap", "none", "No lower bound was proven for this run.", "plain")
    floor = money(result.bound_cents, scenario.network.currency)
    return Claim(
        "Proven gap",
        percent(result.gap),
        f"No plan can cost less than {floor}: at most this share of the landed cost could still be saved.",
        "plain",
    )


def _audit(findings: Sequence[str], checks: int) -> Claim:
    if findings:
        return Claim(
            "Audit",
            count(len(findings), "finding"),
            f"An independent audit made {count(checks, 'check')} and disagrees. Do not release this plan.",
            "bad",
        )
    if checks <= 0:
        return Claim("Audit", "not made", "Nothing was checked independently. Do not release this plan.", "bad")
    return Claim("Audit", "passed", f"{count(checks, 'check')} re-derived from the rules, no finding.", "good")
