"""Rules of holding plates tried on a scenario folder, and a folder of what came of it."""

from __future__ import annotations

import json
import threading
from pathlib import Path

from router.formats import read_scenario
from router.formats.result_folder import refuse_others
from router.formats.tables import csv_text
from router.report.wording import listed, money, percent
from router.whatif.comparison.hold_rules import NEVER, HoldSettings, HoldTuning, tune_hold
from router.whatif.study import RESULTS_FILE
from router.whatif.sweep.run import SweepListener

_OURS = {RESULTS_FILE, "hold.json", "hold.csv"}


def tune_hold_folder(
    folder: Path,
    out: Path,
    settings: HoldSettings,
    cache_dir: Path | None = None,
    listener: SweepListener | None = None,
    cancel: threading.Event | None = None,
) -> tuple[HoldTuning, list[str]]:
    """Simulate, write ``hold.json`` and ``hold.csv``, and say in sentences what was found.

    Raises FaultyInput before anything is simulated or written.
    """
    refuse_others(out, _OURS.__contains__, "an earlier trial of rules")
    scenario = read_scenario(folder, cache_dir)
    tuning = tune_hold(folder, scenario, settings, out, cache_dir, listener, cancel)
    said = sentences(tuning, scenario.network.currency)
    (out / "hold.json").write_text(_json(tuning, said, scenario.network.currency), encoding="utf-8")
    heading = ("rule", f"landed cost {scenario.network.currency}", "plate cover", "late lines", "promises kept")
    rows = [
        (f.name, f"{f.cost.mean / 100:.2f}", f"{f.cover:.4f}", f"{f.late_share:.4f}", f"{f.promise_kept_share:.4f}")
        for f in tuning.found
    ]
    (out / "hold.csv").write_text(csv_text(heading, rows), encoding="utf-8")
    return tuning, said


def sentences(tuning: HoldTuning, currency: str) -> list[str]:
    """Which rule is cheapest, whether beyond noise, and which rules cannot be told from it."""
    best = tuning.best
    said = [
        f"Cheapest of those that keep promises: {best.name}; {_cash(best.cost.mean, currency)} in"
        f" {tuning.settings.months:g} months, plates covered {percent(best.cover)}, {percent(best.late_share)} of"
        f" lines late, {percent(best.promise_kept_share)} of promises kept."
    ]
    if best.name == NEVER:
        said.append("No rule tried is cheaper than starting builds as they stand.")
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


def _cash(cents: float, currency: str) -> str:
    return money(round(cents), currency)


def _json(tuning: HoldTuning, said: list[str], currency: str) -> str:
    settings = tuning.settings
    made = {
        "format": "platewright hold rules 1",
        "currency": currency,
        "months": settings.months,
        "replications": tuning.replications,
        "seed": settings.seed,
        "explanation": said,
        "best": tuning.best.name,
        "beyond_noise": tuning.beyond_noise,
        "rules": [
            {
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
                if f.name not in tuning.beside
                else {
                    "best_less_this_cents": tuning.beside[f.name].interval.mean,
                    "half_width": tuning.beside[f.name].interval.half_width,
                    "verdict": tuning.beside[f.name].verdict.value,
                    "to_settle": tuning.beside[f.name].to_settle,
                },
            }
            for f in tuning.found
        ],
    }
    return json.dumps(made, indent=1, ensure_ascii=False) + "\n"
