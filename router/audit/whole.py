"""Checks of the plan as a whole (RULES.md, section 7)."""

from __future__ import annotations

import dataclasses
from collections import Counter

from router.audit.book import Book
from router.audit.costs import build_total, lot_total, plate_steps_total
from router.audit.could_build import where_it_could_be_built
from router.audit.figures import cents, settled
from router.audit.finding import Notebook
from router.audit.shipments import derived_cents
from router.audit.times import changeover_total
from router.domain.plan import Plan, Totals


def check_origin(book: Book, notes: Notebook) -> None:
    """The plan was made from this scenario, at its moment."""
    notes.look("scenario and moment of the plan", 2)
    plan, scenario = book.plan, book.scenario
    if plan.scenario_fingerprint != scenario.fingerprint:
        notes.add("other-scenario", "plan", f"made for {plan.scenario_fingerprint}", scenario.fingerprint)
    if plan.now != scenario.network.now:
        notes.add("other-now", "plan", plan.now.isoformat(), scenario.network.now.isoformat())


def check_quantities(book: Book, notes: Notebook) -> None:
    """Every line is planned to the last piece, on plates, in lots and in shipments, or not at all."""
    plan = book.plan
    on_plates = Counter(p.line_id for b in plan.builds for p in b.pieces if p.line_id is not None)
    in_lots: Counter[str] = Counter()
    for lot in plan.lots:
        in_lots[lot.line_id] += lot.pieces
    shipped: Counter[str] = Counter()
    for shipment in plan.shipments:
        shipped[shipment.line_id] += shipment.pieces
    left_out = {u.line_id for u in plan.unplanned}
    for line in book.scenario.lines:
        notes.look("pieces of every line accounted for", 3)
        where = f"line {line.line_id}"
        counts = {"on plates": on_plates, "in lots": in_lots, "in shipments": shipped}
        appears = any(line.line_id in count for count in counts.values())
        if line.line_id in left_out and not appears:
            continue
        if not appears:
            notes.add("line-nowhere", where, "neither planned nor left out", "one or the other")
            continue
        if line.line_id in left_out:
            notes.add("line-planned-and-left-out", where, "planned and left out", "one or the other")
        for place, count in counts.items():
            pieces = count[line.line_id]
            if pieces != line.quantity:
                code = "pieces-lost" if pieces < line.quantity else "pieces-extra"
                notes.add(code, where, f"{pieces} {place}", f"{line.quantity} {place}")


def check_sites_of_lines(book: Book, notes: Notebook) -> None:
    """A line that may not be split is built at one site."""
    sites: dict[str, set[str]] = {}
    for line_id, build_id in book.lots:
        sites.setdefault(line_id, set()).add(book.known[build_id].site.site_id)
    for line_id, places in sites.items():
        notes.look("lines at one site")
        if len(places) > 1 and not book.scenario.line[line_id].may_split_sites:
            notes.add("line-at-several-sites", f"line {line_id}", ", ".join(sorted(places)), "one site")


def check_left_out(book: Book, notes: Notebook) -> None:
    """A line left out has reasons, and could not clearly have been built."""
    tried: dict[tuple[object, ...], bool] = {}
    for unplanned in book.left_out:
        notes.look("lines left out")
        where = f"line {unplanned.line_id}"
        if not any(reason.strip() for reason in unplanned.reasons):
            notes.add("left-out-without-reason", where, "no reason", "every reason")
        if unplanned.line_id in book.lines:
            place = where_it_could_be_built(book, book.scenario.line[unplanned.line_id], tried)
            if place is not None:
                notes.add("left-out-but-buildable", where, "left out", f"planned; {place} can build it")


def derive_totals(book: Book) -> Totals:
    """The plan's cost from derived figures; what cannot be derived enters as stated."""
    plan = book.plan
    build = after_build = changeover = carbon = freight = late = 0
    changeover = changeover_total(book)
    for b in plan.builds:
        entry = book.builds.get(b.build_id)
        if entry is not None and entry.build is b:
            build += build_total(entry)
            after_build += plate_steps_total(entry)
            carbon += settled(b.carbon_cents, cents(entry.melt.carbon_exact))
        else:
            build += sum(_whole(getattr(b.cost, f.name)) for f in dataclasses.fields(b.cost))
            after_build += _whole(b.plate_steps_cents)
            carbon += _whole(b.carbon_cents)
            changeover += 0 if b.changeover is None else _whole(b.changeover.cost_cents)
    derived_lots = {id(x.lot) for x in book.lots.values() if x.lot is not None}
    stated_lots = {(x.line_id, x.build_id) for x in plan.lots}
    for key, lot in book.lots.items():
        if lot.lot is not None or key not in stated_lots:
            after_build += lot_total(lot)
    after_build += sum(_whole(x.cost_cents) for x in plan.lots if id(x) not in derived_lots)
    derived_shipments = {id(x.shipment): x for x in book.shipments}
    for shipment in plan.shipments:
        if id(shipment) in derived_shipments:
            parts = derived_cents(book, derived_shipments[id(shipment)])
        else:
            parts = (_whole(shipment.freight_cents), _whole(shipment.carbon_cents), _whole(shipment.late_cents))
        freight, carbon, late = freight + parts[0], carbon + parts[1], late + parts[2]
    return Totals(build, changeover, after_build, freight, carbon, late)


def check_totals(plan: Plan, totals: Totals, notes: Notebook) -> None:
    """The plan's totals against the derived ones."""
    for field in dataclasses.fields(Totals):
        notes.look("totals")
        stated, derived = getattr(plan.totals, field.name), getattr(totals, field.name)
        if stated != derived:
            notes.add("wrong-total", f"totals, {field.name}", f"{stated} cents", f"{derived} cents")


def _whole(amount: int) -> int:
    """A stated amount, or nothing when it is no whole number (which has a finding)."""
    return amount if isinstance(amount, int) else 0
