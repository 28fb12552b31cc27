"""The report: one planning run as one HTML text that needs nothing else."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from functools import lru_cache
from importlib import resources
from zoneinfo import ZoneInfo

from jinja2 import Environment

from router.domain.network import Scenario
from router.domain.result import Result
from router.formats import line_remarks
from router.report.hands_on import next_activities
from router.report.headline import claims, what_was_planned
from router.report.kpi_table import kpi_groups
from router.report.leg_entries import legs, map_sites
from router.report.legs_map import legs_map
from router.report.options_table import line_entries
from router.report.part_notes import part_notes, unplanned_rows
from router.report.plate_entries import plate_groups
from router.report.risk import at_risk
from router.report.schedule_blocks import schedule_blocks
from router.report.svg import definitions, swatch
from router.report.templates_of import templates_of
from router.report.theme import KEYED, numbered, stylesheet, tone
from router.report.trace_chart import trace_chart
from router.report.wording import anchors, clock_time, full_day, money, number, percent


@lru_cache(maxsize=1)
def _environment() -> Environment:
    return templates_of("router.report")


def page_style(tones: int) -> str:
    """The style of a page that needs nothing else, with so many tones for alloys or sites."""
    return stylesheet(tones) + "\n" + _own_text("style.css")


def _own_text(name: str) -> str:
    return resources.files("router.report").joinpath(name).read_text(encoding="utf-8")


def write_report(scenario: Scenario, result: Result, audit_findings: Sequence[str], audited_checks: int) -> str:
    """The report of a planning run as HTML text.

    Self-contained: style, script, figures and outlines are inside, nothing is fetched. Text from the data is escaped,
    and the page's own policy lets no script run but the report's. ``audited_checks`` is the number of comparisons
    the independent audit made, ``audit_findings`` what it found wrong.
    """
    network, plan = scenario.network, result.plan
    alloy_key = numbered([*(a.alloy_id for a in network.alloys), *(x.alloy_id for x in scenario.lines)])
    site_key = numbered(s.site_id for s in network.sites)
    hatch = {alloy: tone(key).hatch for alloy, key in alloy_key.items()}
    build_anchor = anchors("build", (b.build_id for b in plan.builds))
    line_anchor = anchors("line", (x.line_id for x in scenario.lines))
    site_anchor = anchors("site", (s.site_id for s in network.sites))
    footprints, plates = plate_groups(scenario, plan, build_anchor, line_anchor, alloy_key, hatch)
    found_legs, leg_rows = legs(scenario, plan, site_key)
    script = _own_text("filter.js")
    utc = ZoneInfo("UTC")
    used = {network.parameter_set[b.parameter_set_id].alloy_id for b in plan.builds}
    names = {a.alloy_id: a.name for a in network.alloys}
    return _environment().get_template("page.html.j2").render(
        title=f"Plan of {network.name}, {full_day(plan.now.astimezone(utc).date())}",
        network=network,
        plan=plan,
        result=result,
        made=f"{full_day(network.now.date())}, {network.now:%H:%M} ({network.now.tzname()})",
        sentence=what_was_planned(scenario, result),
        claims=claims(scenario, result, audit_findings, audited_checks),
        findings=audit_findings,
        checks=audited_checks,
        kpis=kpi_groups(result.kpis, result.habit_kpis, network.currency),
        risks=at_risk(scenario, result),
        hands_on=next_activities(scenario, plan, build_anchor),
        blocks=schedule_blocks(scenario, plan, build_anchor, site_anchor, alloy_key, hatch),
        legend=[(names.get(a, a), swatch(alloy_key[a], hatch[a])) for a in sorted(used)],
        plates=plates,
        map=legs_map("legs-map", map_sites(scenario, site_key), found_legs),
        leg_rows=leg_rows,
        entries=line_entries(scenario, result, line_anchor, build_anchor, alloy_key),
        sites=[s.name for s in network.sites],
        unplanned=unplanned_rows(scenario, plan),
        notes=part_notes(scenario),
        line_remarks=line_remarks(scenario.lines, network),
        trace=trace_chart(
            "trace", result.trace, result.seconds, result.bound_cents, result.habit_kpis.landed_cents, network.currency
        ),
        trace_rows=[(number(p.seconds, 1), number(p.work), number(p.landed_cents / 100)) for p in result.trace],
        run_facts=_run_facts(scenario, result),
        cautions=[a.name for a in network.alloys if a.combustible and a.alloy_id in used],
        line_anchor=line_anchor,
        swatch=swatch,
        definitions=definitions() + footprints,
        style=page_style(max(len(KEYED), len(alloy_key), len(site_key))),
        script=script,
        script_hash="sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
    )  # fmt: skip


def _run_facts(scenario: Scenario, result: Result) -> tuple[tuple[str, str], ...]:
    currency = scenario.network.currency
    facts = [
        ("Status", result.status),
        ("Stopped because", result.stop_reason),
        ("Seed", str(result.seed)),
        ("Work done", f"{number(result.work)} units"),
        ("Time taken", clock_time(result.seconds)),
        ("Workers", number(result.workers)),
        ("Proven bound", "none" if result.bound_cents is None else money(result.bound_cents, currency, 2)),
        ("Gap to the bound", "none" if result.gap is None else percent(result.gap, 2)),
        ("Method", result.plan.made_by),
        ("Scenario, SHA-256", scenario.fingerprint),
    ]
    return (*facts, *((f"Version of {name}", version) for name, version in result.versions))
