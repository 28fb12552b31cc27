"""Values as terminal tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rich import box
from rich.console import Group, RenderableType
from rich.markup import escape
from rich.table import Table

from router.audit import AuditReport
from router.domain.network import Scenario
from router.domain.plan import Build
from router.domain.result import Kpis, LineOptions, Result, SiteOption
from router.kernel.faults import Fault
from router.report.own_plates import fill_change
from router.report.wording import percent


def faults_list(faults: Sequence[Fault]) -> str:
    """Every fault of an input, one a line: where, what was found, what would be right."""
    head = f"{len(faults)} fault{'s' if len(faults) != 1 else ''}:"
    return "\n".join([head, *(f"  {fault.sentence()}" for fault in faults)])


def findings_list(report: AuditReport) -> str:
    """The auditor's findings, one a line, or that there are none."""
    checks = sum(count for _, count in report.checked)
    if report.clean:
        return f"{checks:,} checks, nothing wrong"
    head = f"{len(report.findings)} finding{'s' if len(report.findings) != 1 else ''} in {checks:,} checks:"
    return "\n".join([head, *(f"  {finding.sentence()}" for finding in report.findings)])


def kpis_table(scenario: Scenario, result: Result) -> Table:
    """The plan's key figures beside today's habit."""
    currency = scenario.network.currency
    plan, habit = result.kpis, result.habit_kpis
    title = scenario.network.name + (" (invented data)" if scenario.network.invented else "")
    table = Table(title=escape(title), box=box.SIMPLE_HEAD, title_justify="left")
    table.add_column("Key figure")
    for head in ("this plan", "today's habit", "difference"):
        table.add_column(head, justify="right")
    for label, field in (
        (f"Landed cost, {currency}", "landed_cents"),
        ("  builds", "build_cents"),
        ("  changeovers", "changeover_cents"),
        ("  after the build", "after_build_cents"),
        ("  freight", "freight_cents"),
        ("  carbon", "carbon_cents"),
        ("  lateness", "lateness_cents"),
    ):
        mine, theirs = getattr(plan, field), getattr(habit, field)
        table.add_row(label, _money(mine), _money(theirs), _percent(mine, theirs))
    for label, mine_text, theirs_text in _plain_rows(plan, habit):
        table.add_row(label, mine_text, theirs_text, "")
    if result.bound_cents is not None:
        gap = f"gap {result.gap:.1%}" if result.gap is not None else ""
        table.add_row("No plan can cost less than", _money(result.bound_cents), "", gap)
    return table


def _plain_rows(plan: Kpis, habit: Kpis) -> list[tuple[str, str, str]]:
    return [
        ("Late lines", str(plan.late_lines), str(habit.late_lines)),
        ("Late days, all lines", str(plan.late_days), str(habit.late_days)),
        ("Builds", str(plan.builds), str(habit.builds)),
        ("Mean plate fill", f"{plan.mean_fill:.1%}", f"{habit.mean_fill:.1%}"),
        ("Machine hours", f"{plan.machine_h:,.0f}", f"{habit.machine_h:,.0f}"),
        ("Shipment km", f"{plan.shipment_km:,.0f}", f"{habit.shipment_km:,.0f}"),
        ("kg CO2e", f"{plan.co2e_kg:,.0f}", f"{habit.co2e_kg:,.0f}"),
        ("At the nearest able site", f"{plan.nearest_site_share:.0%}", f"{habit.nearest_site_share:.0%}"),
        ("Lines nobody can build", str(plan.lines_unplanned), str(habit.lines_unplanned)),
    ]


def option_tables(options: LineOptions, own: Mapping[str, Sequence[Build]]) -> list[RenderableType]:
    """The ship-versus-local table of one line and the reasons of the sites that cannot build it.

    ``own``: plates that the line is on, by site.
    """
    table = Table(title=escape(f"Line {options.line_id}"), box=box.SIMPLE_HEAD, title_justify="left")
    for head, right in (("Site", 0), ("Fair", 1), ("Marginal", 1), ("Arrives", 0), ("Way", 0), ("Plate", 0)):
        table.add_column(head, justify="right" if right else "left", overflow="fold")
    for site in options.sites:
        if site.possible:
            table.add_row(*map(escape, _option_row(site, own.get(site.site_id, ()))))
    said: list[RenderableType] = [Group(table, escape(options.sentence))]
    refused = [s for s in options.sites if not s.possible]
    if refused:
        why = Table(title="Not possible", box=box.SIMPLE_HEAD, title_justify="left")
        why.add_column("Site")
        why.add_column("Why not", overflow="fold")
        for site in refused:
            why.add_row(escape(site.site_id), escape("; ".join(site.reasons)))
        said.append(why)
    return said


def _option_row(site: SiteOption, own: Sequence[Build]) -> tuple[str, ...]:
    late = f"\n{site.late_days} d late" if site.late_days else ""
    arrives = "" if site.arrive_date is None else site.arrive_date.isoformat() + late
    way = f"{site.carrier_id}, {site.distance_km or 0:,.0f} km\n{site.co2e_kg or 0:,.1f} kg CO2e"
    joins = f"joins {site.joins_build_id}" if site.joins_build_id else f"new plate on {site.machine_id}"
    plate = f"{joins}\nfill {fill_change(site.fill_before, site.fill_after)}"
    if site.chosen and len(own) > 1:
        plate = "on " + "\n".join(f"{b.build_id}, fill {percent(b.fill, 0)}" for b in own)
    return (
        f"{site.site_id}\n(chosen)" if site.chosen else site.site_id,
        _money(site.fair_cents),
        _money(site.marginal_cents),
        arrives,
        way,
        plate,
    )


def _money(cents: int | None) -> str:
    return "" if cents is None else f"{cents / 100:,.2f}"


def _percent(mine: int, theirs: int) -> str:
    return "" if theirs == 0 else f"{(mine - theirs) / theirs:+.1%}"
