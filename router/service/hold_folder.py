"""Rules of holding plates tried on a scenario folder, and a folder of what came of it."""

from __future__ import annotations

import json
import threading
from pathlib import Path

from router.formats import read_scenario
from router.formats.result_folder import refuse_others
from router.service.hold_words import as_values, rules_csv, sentences
from router.whatif.comparison.hold_rules import HoldSettings, HoldTuning, tune_hold
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
    currency = scenario.network.currency
    values = json.dumps(as_values(tuning, currency), indent=1, ensure_ascii=False)
    (out / "hold.json").write_text(values + "\n", encoding="utf-8")
    (out / "hold.csv").write_text(rules_csv(tuning, currency), encoding="utf-8")
    return tuning, sentences(tuning, currency)
