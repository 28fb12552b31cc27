"""What a trial of rules of holding found: sentences, table rows, values for programs."""

from __future__ import annotations

from typing import Any

from router.formats.tables import csv_text
from router.report.wording import listed, money, percent
from router.whatif.comparison.hold_rules import NEVER, HoldFound, HoldTuning
from router.whatif.comparison.tables import word
from router.whatif.statistics import Difference


def sentences(tuning: HoldTuning, currency: str) -> list[str]:
    """Which rule is cheapest, whether beyond noise, and which rules cannot be told from it."""
    best, months = tuning.best, tuning.settings.months
    said = [
        f"Cheapest of those that keep promises: {best.name}; {_cash(best.cost.mean, currency)} in"
        f" {months:g} {'month' if months == 1 else 'months'}, plates covered {percent(best.cover)},"
        f" {percent(best.late_share)} of"
        f" lines late, {percent(best.promise_kept_share)} of promises kept."
    ]
    if best.name == NEVER:
        cheaper = any(f.cost.mean < best.cost.mean for f in tuning.found)
        tried = "No rule tried that keeps promises" if cheaper else "No rule tried"
        said.append(f"{tried} is cheaper than starting builds as they stand.")
    else:
        gap = tuning.beside[NEVER]
        said.append(gap.sentence("Landed cost beside never holding", lambda v: _cash(v, currency)))
        if not tuning.beyond_noise:
            said.append("So it is not shown that holding pays.")
    alike = [name for name, d in tuning.beside.items() if name != NEVER and not d.is_lower]
    if alike:
        said.append(f"Not to be told from it beyond noise: {listed(alike)}.")
    broken = [f.name for f in tuning.found if not f.keeps_promises]
    if broken:
        said.append(f"Left aside, since fewer promises are kept than without holding: {listed(broken)}.")
    return said


def rules_csv(tuning: HoldTuning, currency: str) -> str:
    """One row a rule."""
    heading = ("rule", f"landed cost {currency}", "plate cover", "late lines", "promises kept")
    rows = [
        (f.name, f"{f.cost.mean / 100:.2f}", f"{f.cover:.4f}", f"{f.late_share:.4f}", f"{f.promise_kept_share:.4f}")
        for f in tuning.found
    ]
    return csv_text(heading, rows)


def table_rows(tuning: HoldTuning, currency: str) -> list[dict[str, Any]]:
    """One row a rule as people read it: its figures, its cost less that of never holding, what that is."""
    return [
        {
            "name": f.name,
            "landed": _cash(f.cost.mean, currency),
            "difference": _gap(f.cost_beside_never, currency),
            "word": "" if f.cost_beside_never is None else word("landed_cents", f.cost_beside_never),
            "cover": percent(f.cover),
            "late": percent(f.late_share),
            "promises_kept": percent(f.promise_kept_share),
            "keeps_promises": f.keeps_promises,
            "best": f is tuning.best,
        }
        for f in tuning.found
    ]


def as_values(tuning: HoldTuning, currency: str) -> dict[str, Any]:
    """Every figure, interval and difference."""
    settings = tuning.settings
    return {
        "format": "platewright hold rules 1",
        "currency": currency,
        "months": settings.months,
        "replications": tuning.replications,
        "seed": settings.seed,
        "explanation": sentences(tuning, currency),
        "best": tuning.best.name,
        "beyond_noise": tuning.beyond_noise,
        "rules": [_rule(f, tuning.beside.get(f.name)) for f in tuning.found],
    }


def _rule(f: HoldFound, beside: Difference | None) -> dict[str, Any]:
    return {
        "name": f.name,
        "cover": f.rule.cover if f.rule else None,
        "slack_days": f.rule.slack_days if f.rule else None,
        "at_most_days": f.rule.at_most_days if f.rule else None,
        "landed_cents": f.cost.mean,
        "half_width": f.cost.half_width,
        "mean_cover": f.cover,
        "late_share": f.late_share,
        "promise_kept_share": f.promise_kept_share,
        "keeps_promises": f.keeps_promises,
        "beside_best": None
        if beside is None
        else {
            "best_less_this_cents": beside.interval.mean,
            "half_width": beside.interval.half_width,
            "verdict": beside.verdict.value,
            "to_settle": beside.to_settle,
        },
    }


def _gap(difference: Difference | None, currency: str) -> str:
    if difference is None:
        return ""
    half = difference.interval.half_width
    return _cash(difference.interval.mean, currency) + ("" if half is None else f" ± {_cash(half, currency)}")


def _cash(cents: float, currency: str) -> str:
    return money(round(cents), currency)
