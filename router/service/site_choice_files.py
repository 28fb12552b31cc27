"""The files of a site choice: result.json, tables in CSV, and a page."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from router.formats import RESULT_FILE
from router.formats.tables import csv_text
from router.kernel.money import round_cents
from router.report.plain_page import Table, plain_page
from router.service.site_check import SiteCheck
from router.service.site_choice_answer import SiteChoice, shown_name, shown_value
from router.whatif.siting.network_choice import PARTS, NetworkChoice
from router.whatif.siting.sensitivity import Answer

PAGE_FILE = "site_choice.html"
CHOICE_FILES = (RESULT_FILE, PAGE_FILE, "places.csv", "assignment.csv", "hours.csv", "tornado.csv", "break_even.csv")


def choice_files(found: SiteChoice, said: Sequence[str]) -> dict[str, str]:
    """Content by file name. Money in currency units with two decimals in the tables, in whole cents in JSON."""
    tables = choice_tables(found)
    texts = {name: csv_text(table.heading, table.rows) for name, table in tables.items()}
    shown = [tables[name] for name in ("places.csv", "hours.csv", "tornado.csv")]
    shown += [t for t in (_map(found),) if t.rows]
    shown.append(Table("Assumptions without a source", ("field",), [(a,) for a in found.question.assumptions]))
    note = "Invented data: nothing here is anybody's business." if found.question.invented else ""
    page = plain_page(found.question.name, note, said, shown)
    return {RESULT_FILE: json.dumps(choice_json(found, said), indent=1) + "\n", PAGE_FILE: page, **texts}


def _units(cents: float) -> str:
    return f"{round_cents(cents) / 100:.2f}"


def choice_tables(found: SiteChoice) -> dict[str, Table]:
    """The tables by the names of their files."""
    unit = f"{found.currency} a year"
    heading = ("choice", f"total {unit}", f"saving {unit}", f"investment {found.currency}", *PARTS, "co2e_kg", "status")
    choices = [("best", found.best), ("as it is", found.as_is), *((f"only {c}", n) for c, n in found.alone)]
    places = [
        (
            f"{what}: {n.label()}",
            _units(n.total_cents),
            _units(found.as_is.total_cents - n.total_cents),
            _units(n.investment_cents),
            *(_units(n.parts[p]) for p in PARTS),
            f"{n.co2e_kg:.0f}",
            n.status.value,
        )
        for what, n in choices
    ]
    problem = found.offers.problem
    shares = [
        (problem.lines[line].line_id, "bought" if m < 0 else problem.machines[m].machine_id, f"{share:.6f}")
        for line, m, share in sorted(found.best.shares)
    ]
    shares += [(problem.lines[line].line_id, f"left out: {why}", "0") for line, why in found.offers.without]
    hours = [(m, f"{used:.0f}", f"{there:.0f}", f"{used / there:.1%}") for m, used, there in found.best.hours]
    bars = []
    for b in found.bars:
        ends: list[str | float] = []
        for value, answer in ((b.low, b.at_low), (b.high, b.at_high)):
            ends += [shown_value(b.name, value), answer.label, _units(answer.cents), _units(answer.saving_cents)]
        bars.append((shown_name(b.name), *ends))
    cells = [
        (c.growth, c.freight_factor, c.answer.label, _units(c.answer.cents), _units(c.answer.saving_cents))
        for c in found.cells
    ]
    return {
        "places.csv": Table("Choices beside each other", heading, places),
        "assignment.csv": Table("Who builds what", ("line", "machine", "share of a year"), shares),
        "hours.csv": Table("Machine hours a year", ("machine", "used", "there are", "share"), hours),
        "tornado.csv": Table(
            "One input at a time, widest first",
            ("input", *(word for end in ("low", "high") for word in _end_heading(end, unit))),
            bars,
        ),
        "break_even.csv": Table(
            "Break-even map", ("growth", "freight factor", "choice", f"cost {unit}", f"saving {unit}"), cells
        ),
    }


def _end_heading(end: str, unit: str) -> tuple[str, ...]:
    """Columns of one end of the inputs; no two of a table are called the same, so that programs can read it."""
    return end, f"choice at {end}", f"cost at {end}, {unit}", f"saving at {end}, {unit}"


def _map(found: SiteChoice) -> Table:
    """Growth down, freight price across; each field the choice and what it saves."""
    steps = found.question.freight_steps
    by = {(c.growth, c.freight_factor): c.answer for c in found.cells}
    rows = [(f"{g:+.0%}", *(_field(by.get((g, f))) for f in steps)) for g in found.question.growth_steps]
    heading = ("growth", *(f"freight x {f:g}" for f in steps))
    return Table(f"Break-even map: which choice wins, and what it saves in {found.currency} a year", heading, rows)


def _field(answer: Answer | None) -> str:
    return "" if answer is None else f"{answer.label}: {_units(answer.saving_cents)}"


def choice_json(found: SiteChoice, said: Sequence[str]) -> dict[str, Any]:
    """Everything the answer holds, as JSON values."""
    return {
        "format": "platewright site choice 1",
        "question": found.question.name,
        "invented": found.question.invented,
        "currency": found.currency,
        "seed": found.seed,
        "at_most_sites": found.most_sites,
        "explanation": list(said),
        "best": _choice(found.best),
        "as_is": _choice(found.as_is),
        "payback_years": None if found.payback_years is None else float(found.payback_years),
        "alone": {c: _choice(n) for c, n in found.alone},
        "tornado": [
            {"input": b.name, "low": b.low, "high": b.high, "at_low": _answer(b.at_low), "at_high": _answer(b.at_high)}
            for b in found.bars
        ],
        "break_even": [
            {"growth": c.growth, "freight_factor": c.freight_factor, **_answer(c.answer)} for c in found.cells
        ],
        "assumptions": list(found.question.assumptions),
        "check": None if found.check is None else _check(found.check),
    }


def _check(check: SiteCheck) -> dict[str, Any]:
    return {
        "months": check.asked.months,
        "replications": check.asked.replications,
        "seed": check.asked.seed,
        "choices": [
            {
                "label": c.label,
                "agreement": c.agreement.value,
                "programme_saving_cents_per_year": round_cents(c.programme_saving_cents),
                "difference_cents_per_year": round_cents(c.difference.interval.mean),
                "half_width_cents_per_year": None
                if c.difference.interval.half_width is None
                else round_cents(c.difference.interval.half_width),
                "level": c.difference.interval.level,
                "to_settle": c.difference.to_settle,
                "to_settle_surely": c.difference.to_settle_surely,
                "lines_not_built": list(c.not_built),
                "late_share": list(c.late_share),
            }
            for c in check.checked
        ],
    }


def _choice(choice: NetworkChoice) -> dict[str, Any]:
    return {
        "label": choice.label(),
        "sites": [{"id": o.candidate_id, "machines": dict(o.machines)} for o in choice.opened],
        "cents_per_year": round_cents(choice.total_cents),
        "bound_cents_per_year": round_cents(choice.bound_cents),
        "parts_cents_per_year": {p: round_cents(v) for p, v in choice.parts.items()},
        "investment_cents": round_cents(choice.investment_cents),
        "co2e_kg_per_year": round(choice.co2e_kg, 1),
        "status": choice.status.value,
    }


def _answer(answer: Answer) -> dict[str, Any]:
    return {
        "choice": answer.label,
        "cents_per_year": round_cents(answer.cents),
        "saving_cents_per_year": round_cents(answer.saving_cents),
        "proven": answer.proven,
    }
