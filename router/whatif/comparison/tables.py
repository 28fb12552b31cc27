"""A comparison as files: JSON for programs, CSV tables, and the rows and sentences people read."""

from __future__ import annotations

import json
from dataclasses import dataclass

from router.domain.network import Network
from router.formats.tables import Cell, csv_text
from router.report.wording import money, number, percent
from router.whatif.comparison.compare import NOTHING_INVESTED, NOTHING_RECEIVED, Comparison, Lived
from router.whatif.rolling.figures import FIGURES
from router.whatif.statistics import Difference, Interval, Verdict

_LESS_IS_BETTER = frozenset(
    {
        "lines_not_placed",
        "landed_cents",
        "landed_cents_a_line",
        "build_cents",
        "after_cents",
        "late_share",
        "late_days_a_line",
        "km",
        "co2e_kg",
        "lead_days",
    }
)
_MORE_IS_BETTER = frozenset({"promise_kept_share", "mean_cover", "near_share", "next_day_share"})
_SHARES = frozenset({"late_share", "promise_kept_share", "mean_cover", "utilisation", "near_share", "next_day_share"})
_FEW = frozenset({"late_days_a_line", "lead_days", "lines_not_placed"})


def shown(name: str, value: float, currency: str) -> str:
    """A figure with its unit."""
    if name.endswith("_cents") or "_cents_" in name:
        return money(round(value), currency)
    if name in _SHARES:
        return percent(value)
    return number(value, 2 if name in _FEW else 0)


@dataclass(frozen=True, slots=True)
class Row:
    """One figure of one scenario beside the base's."""

    what: str
    note: str
    base: str
    here: str
    difference: str
    word: str
    """better, worse, other, or that it is within noise."""


def rows(comparison: Comparison, lived: Lived, currency: str) -> tuple[Row, ...]:
    """The figures of a scenario beside the base's, in the order of ``FIGURES``; none where no line is received."""
    base = comparison.lived[0]
    if lived.why_no_appraisal == NOTHING_RECEIVED:
        return ()
    return tuple(
        Row(
            what,
            note,
            _mean(name, base.means[name], currency),
            _mean(name, lived.means[name], currency),
            _gap(name, lived.differences[name], currency),
            word(name, lived.differences[name]),
        )
        for name, (what, note) in FIGURES.items()
    )


def _mean(name: str, interval: Interval, currency: str) -> str:
    return shown(name, interval.mean, currency)


def gap_shown(name: str, value: float, currency: str) -> str:
    """A difference of two such figures with its unit: of shares, points."""
    return f"{number(100 * value, 1)} points" if name in _SHARES else shown(name, value, currency)


def _gap(name: str, difference: Difference, currency: str) -> str:
    interval = difference.interval
    half = "" if interval.half_width is None else f" ± {gap_shown(name, interval.half_width, currency)}"
    return gap_shown(name, interval.mean, currency) + half


def word(name: str, difference: Difference) -> str:
    """What a difference means: ``better``, ``worse``, ``other`` where more is neither, ``same`` or ``within noise``."""
    if difference.verdict in (Verdict.WITHIN_NOISE, Verdict.TOO_FEW):
        return "within noise"
    lower = difference.is_lower
    if not lower and not difference.is_higher:
        return "same"
    if name in _LESS_IS_BETTER:
        return "better" if lower else "worse"
    if name in _MORE_IS_BETTER:
        return "worse" if lower else "better"
    return "other"


def findings(comparison: Comparison, lived: Lived, currency: str) -> tuple[str, ...]:
    """What the comparison says of a scenario, in sentences; what it cannot say, too."""
    if lived.why_no_appraisal == NOTHING_RECEIVED:
        return (f"{NOTHING_RECEIVED[0].upper()}{NOTHING_RECEIVED[1:]}.",)

    def of(name: str) -> str:
        return lived.differences[name].sentence(
            f"Difference in {FIGURES[name][0]}", lambda value: gap_shown(name, value, currency)
        )

    said = [of("landed_cents_a_line"), of("late_share"), of("near_share")]
    lost = lived.differences["lines_not_placed"].interval.mean
    if lost:
        said.insert(
            0,
            f"{number(abs(lost), 1)} lines {'more' if lost > 0 else 'fewer'} than in the base are built by nobody;"
            " landed costs leave these out, so that the two do not compare.",
        )
    if lived.differences["lines"].interval.mean:
        said.append("Demand is not the base's: compare costs by line.")
    if lived.appraisal is None and lived.why_no_appraisal != NOTHING_INVESTED:
        said.append(f"No net present value is given: {lived.why_no_appraisal}.")
    if lived.appraisal is not None:
        npv = lived.appraisal.npv_cents
        interval = npv.interval
        if interval is not None:
            half = "" if interval.half_width is None else f" ± {money(round(interval.half_width), currency)}"
            sure = interval.half_width is not None and not interval.holds(0.0)
            verdict = "" if sure else "; whether it is above or below zero cannot be told"
            said.append(f"Net present value: {money(round(interval.mean), currency)}{half} (95 % interval){verdict}.")
        payback = lived.appraisal.payback_months.quantile(0.5)
        said.append(
            f"Payback in the middle replication: {number(payback, 1)} months."
            if payback is not None
            else "In half of the replications or more it is never paid back."
        )
    return tuple(said)


def as_json(comparison: Comparison, currency: str, base: Network | None = None) -> str:
    """Every figure, interval and difference; sites are called as in the base, if it is told."""

    def interval(x: Interval) -> dict[str, float | int | None]:
        return {"mean": x.mean, "half_width": x.half_width, "level": x.level, "replications": x.replications}

    made = {
        "format": "platewright what-if comparison 1",
        "currency": currency,
        "months": comparison.settings.months,
        "replications": comparison.replications,
        "seed": comparison.settings.seed,
        "near_km": comparison.settings.near_km,
        "ended": comparison.end.value,
        **({} if comparison.cpu_s is None else {"cpu_s": round(comparison.cpu_s, 1)}),
        "scenarios": [
            {
                "name": lived.what_if.name,
                "invented": lived.what_if.invented,
                "changes": list(lived.what_if.explained(base)),
                "means": {name: interval(x) for name, x in lived.means.items()},
                "differences": {
                    name: {
                        **interval(d.interval),
                        "verdict": d.verdict.value,
                        "to_settle": d.to_settle,
                        "to_settle_surely": d.to_settle_surely,
                        "pairing_gain": d.pairing_gain,
                    }
                    for name, d in lived.differences.items()
                },
                "npv_cents": list(lived.appraisal.npv_cents.values) if lived.appraisal else None,
                "payback_months": list(lived.appraisal.payback_months.values) if lived.appraisal else None,
                "why_no_npv": lived.why_no_appraisal,
                "findings": list(findings(comparison, lived, currency)) if lived.differences else [],
            }
            for lived in comparison.lived
        ],
    }
    return json.dumps(made, indent=1, ensure_ascii=False) + "\n"


def replications_csv(comparison: Comparison) -> str:
    """One row for every scenario and replication."""
    cells: list[list[Cell]] = [
        [lived.what_if.name, number_, *(figures[name] for name in FIGURES)]
        for lived in comparison.lived
        for number_, figures in enumerate(lived.by_replication)
    ]
    return csv_text(["scenario", "replication", *FIGURES], cells)
