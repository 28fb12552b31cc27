"""What-if files compared with a scenario folder, and a folder of what came of it."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from router.domain.network import Network, Scenario
from router.formats import read_scenario
from router.formats.result_folder import refuse_others
from router.kernel.faults import Fault, FaultyInput
from router.whatif.changes import BASE, WhatIf, look_at_file
from router.whatif.comparison.compare import Comparison, Settings, compare
from router.whatif.comparison.page import comparison_page
from router.whatif.comparison.tables import as_json, replications_csv
from router.whatif.study import RESULTS_FILE
from router.whatif.sweep.run import SweepListener

PAGE = "comparison.html"
_OURS = {RESULTS_FILE, PAGE, "comparison.json", "replications.csv"}


@dataclass(frozen=True, slots=True)
class Compared:
    """What a comparison leaves behind."""

    scenario: Scenario
    comparison: Comparison
    folder: Path

    @property
    def page(self) -> Path:
        """The page to read."""
        return self.folder / PAGE


def compare_what_ifs(
    folder: Path,
    files: Sequence[Path],
    out: Path,
    settings: Settings,
    cache_dir: Path | None = None,
    listener: SweepListener | None = None,
    cancel: threading.Event | None = None,
) -> Compared:
    """Simulate and write ``comparison.html``, ``comparison.json``, ``replications.csv``.

    Results of replications are kept in the folder as they come, so that a broken-off comparison goes on where it was.
    Raises FaultyInput with every fault of every file, before anything is simulated or written.
    """
    faults: list[Fault] = []
    scenario: Scenario | None = None
    try:
        refuse_others(out, _OURS.__contains__, "an earlier comparison")
    except FaultyInput as wrong:
        faults += wrong.faults
    try:
        scenario = read_scenario(folder, cache_dir)
    except FaultyInput as wrong:
        faults += wrong.faults
    what_ifs, wrong_files = _read_all(files, scenario.network if scenario else None)
    faults += wrong_files
    if faults or scenario is None:
        raise FaultyInput(faults)
    found = compare(folder, scenario, what_ifs, settings, out, cache_dir, listener, cancel)
    (out / "comparison.json").write_text(as_json(found, scenario.network.currency, scenario.network), encoding="utf-8")
    (out / "replications.csv").write_text(replications_csv(found), encoding="utf-8")
    (out / PAGE).write_text(comparison_page(scenario.network, found), encoding="utf-8")
    return Compared(scenario, found, out)


def _read_all(files: Sequence[Path], network: Network | None) -> tuple[list[tuple[Path, WhatIf]], list[Fault]]:
    read: list[tuple[Path, WhatIf]] = []
    faults: list[Fault] = []
    seen: set[Path] = set()
    for path in files:
        if path.resolve() in seen:
            faults.append(Fault(path.name, "", "", "the same file given twice", "every what-if file once"))
            continue
        seen.add(path.resolve())
        what_if, wrong = look_at_file(path, network)
        faults += wrong
        if what_if is not None:
            read.append((path, what_if))
    names = [what_if.name for _, what_if in read]
    for path, what_if in read:
        if names.count(what_if.name) > 1 or what_if.name == BASE.name:
            faults.append(Fault(path.name, "", "name", what_if.name, "a name of its own, other than 'base'"))
    return read, faults
