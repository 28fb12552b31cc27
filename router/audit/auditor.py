"""The audit: all checks in order."""

from __future__ import annotations

from collections.abc import Callable

from router.audit import costs, eligibility, pieces, plates, shipments, times, whole
from router.audit.book import Book
from router.audit.finding import AuditReport, Notebook
from router.audit.form import check_form
from router.audit.measured import check_measured
from router.audit.scope import Scope, changed_part
from router.domain.network import Scenario
from router.domain.plan import Plan

CHECKS: tuple[Callable[[Book, Notebook], None], ...] = (
    whole.check_origin,
    whole.check_quantities,
    whole.check_sites_of_lines,
    whole.check_left_out,
    pieces.check_mixture,
    pieces.check_coupons,
    pieces.check_stance,
    pieces.check_melt_figures,
    plates.check_plates,
    plates.check_recoater,
    times.check_activities,
    times.check_earliest,
    times.check_machine_sequence,
    times.check_maintenance,
    times.check_changeovers,
    eligibility.check_machine_alloy,
    eligibility.check_site_credentials,
    eligibility.check_ways_through,
    eligibility.check_outside_named,
    costs.check_build_costs,
    costs.check_plate_steps,
    costs.check_shares,
    costs.check_lots,
    shipments.check_contents,
    shipments.check_days,
    shipments.check_carriage,
)


def audit(scenario: Scenario, plan: Plan) -> AuditReport:
    """Re-derive feasibility and cost of a plan from the rules (RULES.md in the room `domain`) and list what is wrong.

    Shares no code with what makes plans. Never raises for a faulty plan: what cannot be read is a finding, and
    whatever depends on it is left out of the other checks.
    """
    return _audited(scenario, plan, None)


def audit_change(scenario: Scenario, before: Plan, after: Plan) -> AuditReport:
    """What ``audit`` says of ``after``, when it found nothing wrong with ``before`` on this very scenario.

    Only what differs and what hangs on it is derived anew; for the rest the figures of the plan stand, as they did
    before. Should ``before`` have had findings, those in parts that did not change are not found again.
    """
    return _audited(scenario, after, changed_part(before, after))


def _audited(scenario: Scenario, plan: Plan, scope: Scope | None) -> AuditReport:
    notes = Notebook()
    broken_models = check_measured(scenario, plan, notes, None if scope is None else scope.lines)
    book = Book(scenario, plan, check_form(scenario, plan, broken_models, notes, scope), scope)
    for check in CHECKS:
        check(book, notes)
    totals = whole.derive_totals(book)
    whole.check_totals(plan, totals, notes)
    return AuditReport(tuple(notes.findings), totals, notes.checked())
