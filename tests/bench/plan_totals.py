"""Lines and totals of the planning benchmarks as printed, and the record's entries."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from tests.bench.plan_case import PlanCase
from tests.bench.plan_side import LATE_FACTOR, LATE_S, Measured

Entry = dict[str, Any]
OURS = "ours"
#: Published costs are rounded; values as near as this count as equal.
NEAR = 1e-6


def entry_of(case: PlanCase, asked_s: float, measured: Mapping[str, Measured], settings: Mapping[str, Any]) -> Entry:
    """What is written of a case. ``value`` is ours; ``gap`` is (value - bound) / value."""
    ours = measured.get(OURS)
    beside = ours.found.beside if ours else {}
    bounds = [b for b in (case.bound, ours.found.bound if ours else None) if b is not None]
    bound = max(bounds) if bounds else None
    value = ours.found.value if ours else None
    status = _status(case, bound, ours, asked_s) if ours else "not asked"
    late_value = value if status.startswith("late") else None
    if late_value is not None:
        value = None
    return {
        "name": case.name,
        "value": _tidy(value),
        "bound": _tidy(bound),
        **({} if late_value is None else {"late_value": _tidy(late_value)}),
        "best_known": _tidy(case.best_known),
        "gap": None if value is None or bound is None else round((value - bound) / value if value else 0.0, 6),
        "status": status,
        "seconds": ours.seconds if ours else None,
        "seconds_to_best": ours.found.to_best_s if ours else None,
        "peak_mb": ours.peak_mb if ours else None,
        "family": case.family,
        "goal": case.goal,
        "size": case.size,
        "asked_seconds": asked_s,
        "rounds": ours.found.rounds if ours else None,
        "trace": [(t, _tidy(v)) for t, v in ours.found.trace] if ours else [],
        "baselines": {
            name: {
                "value": _tidy(m.found.value),
                "bound": _tidy(m.found.bound),
                "seconds": m.seconds,
                "seconds_to_best": m.found.to_best_s,
                "peak_mb": m.peak_mb,
                "status": m.found.status,
                "note": m.found.note,
            }
            for name, m in measured.items()
            if name != OURS
        }
        | {n: {"value": _tidy(b.value), "seconds": b.seconds, "status": "same run"} for n, b in beside.items()},
        "note": "; ".join(x for x in (case.note, ours.found.note if ours else "") if x),
        **(dict(ours.found.more) if ours else {}),
        **settings,
    }


def _status(case: PlanCase, bound: float | None, ours: Measured, asked_s: float) -> str:
    value = ours.found.value
    if value is None:
        return ours.found.status or "no answer"
    ready_s = ours.seconds if ours.found.ready_s is None else ours.found.ready_s
    if ready_s > asked_s * LATE_FACTOR + LATE_S:
        return f"late ({value:.10g} after {ready_s:.1f} s)"
    if bound is not None and value < bound - NEAR * max(1.0, abs(bound)):
        return "below the bound: plan or bound is wrong"
    if case.optimal and case.best_known is not None and value < case.best_known - NEAR * max(1.0, case.best_known):
        return "below the proven optimum: model or reading is wrong"
    return ours.found.status or ("optimal" if bound is not None and not_worse(value, bound) else "feasible")


def not_worse(value: float, other: float) -> bool:
    """Whether a value is at most another, rounding of printed values aside."""
    return value <= other + NEAR * max(1.0, abs(other))


def line(entry: Entry) -> str:
    """One case as printed while the run goes on."""
    others = "  ".join(
        f"{name} {shown(base['value'])}{'' if base['value'] is not None else ' ' + base['status'][:30]}"
        f" ({base['seconds']:.1f} s)"
        for name, base in entry["baselines"].items()
    )
    seconds = "" if entry["seconds"] is None else f"{entry['seconds']:7.2f} s"
    memory = "" if entry["peak_mb"] is None else f"{entry['peak_mb']:6.0f} MB"
    gap = "" if entry["gap"] is None else f"gap {100 * entry['gap']:6.2f} %"
    under = ""
    if entry.get("landed_under_habit") is not None:
        under = f" (landed {100 * entry['landed_under_habit']:.1f} % under habit"
        late = entry.get("lateness_cents_under_habit")
        under += ")" if late is None else f", lateness {100 * late:.1f} % under)"
    return (
        f"{entry['name']:<34} {entry['goal']:<10} ours {shown(entry['value']):>10}  best known "
        f"{shown(entry['best_known']):>10}  bound {shown(entry['bound']):>10} {gap:<13} {seconds} {memory}  "
        f"{entry['status']:<9}{under} | {others}"
    )


def shown(value: float | None) -> str:
    """A value without decimals it does not have."""
    return "-" if value is None else f"{value:.10g}"


def tables(entries: Sequence[Entry]) -> Iterable[str]:
    """Totals by family, then over everything asked for the same goal."""
    families: dict[str, list[Entry]] = defaultdict(list)
    goals: dict[str, list[Entry]] = defaultdict(list)
    for entry in entries:
        families[entry["family"]].append(entry)
        goals[entry["goal"]].append(entry)
    yield "\ntotals by family"
    for family, group in families.items():
        yield total(family, group)
    if len(families) > 1:
        yield "totals by goal"
        for goal, group in goals.items():
            yield total(f"ALL {goal}", group)


def total(title: str, group: Sequence[Entry]) -> str:
    """Ours beside best known over the cases that have both, then each engine beside ours over the cases it answered."""
    answered = [e for e in group if e["value"] is not None]
    text = f"{title:<28} {len(answered):>3}/{len(group):<3} ours {shown(_sum(answered, 'value'))}"
    known = [e for e in answered if e["best_known"] is not None]
    if known:
        text += f", best known {shown(_sum(known, 'best_known'))} to ours {shown(_sum(known, 'value'))}"
        text += f", at least as good {_share(known, lambda e: not_worse(e['value'], e['best_known']))}"
        above = [e for e in known if e["best_known"] > 0]
        if 0 < len(above) < len(known):
            zero = [e for e in known if e["best_known"] == 0]
            text += f" (above 0: {_share(above, lambda e: not_worse(e['value'], e['best_known']))};"
            text += f" at 0: {_share(zero, lambda e: not_worse(e['value'], 0.0))})"
    bounded = [e for e in answered if e["gap"] is not None]
    if bounded:
        text += f", mean gap {100 * sum(e['gap'] for e in bounded) / len(bounded):.2f} %"
        text += f", largest {100 * max(e['gap'] for e in bounded):.2f} %"
    text += f", {sum(e['seconds'] or 0.0 for e in group):.0f} s"
    text += race(group)
    for engine in sorted({n for e in group for n in e["baselines"]}):
        theirs_all = [e for e in group if (e["baselines"].get(engine) or {}).get("value") is not None]
        both = [e for e in theirs_all if e["value"] is not None]
        asked = sum(engine in e["baselines"] for e in group)
        if theirs_all and not answered:
            theirs = sum(e["baselines"][engine]["value"] for e in theirs_all)
            text += f" | {engine} {shown(theirs)} ({len(theirs_all)}/{asked})"
        elif both:
            theirs = sum(e["baselines"][engine]["value"] for e in both)
            text += f" | {engine} {shown(theirs)} to ours {shown(_sum(both, 'value'))} ({len(both)}/{asked})"
        else:
            text += f" | {engine} no answer ({asked} asked)"
    return text


def race(group: Sequence[Entry]) -> str:
    """Where CP-SAT proves its plan best: how often ours is as good, and how often in a tenth of CP-SAT's time."""
    proven = [e for e in group if (e["baselines"].get("cpsat") or {}).get("status") == "optimal" and e["rounds"]]
    if not proven:
        return ""
    times = [(seconds_to(e, e["baselines"]["cpsat"]["value"]), e["baselines"]["cpsat"]["seconds"]) for e in proven]
    as_good = [(mine, theirs) for mine, theirs in times if mine is not None]
    tenth = sum(mine <= theirs / 10 for mine, theirs in as_good)
    return f"; of {len(proven)} proven by cpsat ours reaches {len(as_good)}, {tenth} in a tenth of its time"


def seconds_to(entry: Entry, value: float) -> float | None:
    """First moment of our trace at which the plan is no worse than a value."""
    if entry["value"] is None or not not_worse(entry["value"], value):
        return None
    return next((float(t) for t, v in entry["trace"] if not_worse(v, value)), entry["seconds_to_best"])


def _sum(group: Sequence[Entry], key: str) -> float:
    return float(sum(e[key] for e in group))


def _share(group: Sequence[Entry], good: Any) -> str:
    n = sum(bool(good(e)) for e in group)
    return f"{n}/{len(group)} = {100 * n / len(group):.1f} %"


def _tidy(value: float | None) -> float | int | None:
    if value is None:
        return None
    return int(value) if float(value).is_integer() else round(float(value), 6)
