"""Past builds from a CSV file: ``build,machine,layers,melted_cm3,run_h``."""

from __future__ import annotations

import csv
from pathlib import Path

from router.costing.calibration import PastBuild
from router.kernel.faults import Fault, FaultyInput

COLUMNS = ("build", "machine", "layers", "melted_cm3", "run_h")


def read_build_history(path: Path) -> tuple[PastBuild, ...]:
    """Builds in the order of the file; further columns are left alone. Raises FaultyInput with every fault."""
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            reader = csv.DictReader(file)
            missing = [c for c in COLUMNS if c not in (reader.fieldnames or ())]
            rows = [] if missing else list(reader)
    except (OSError, UnicodeDecodeError) as unread:
        raise FaultyInput([Fault(path.name, "", "", str(unread), "a CSV file in UTF-8")]) from unread
    faults = [Fault(path.name, "row 1", c, "no such column", ", ".join(COLUMNS)) for c in missing]
    builds: list[PastBuild] = []
    for number, row in enumerate(rows, 2):
        figures: list[float] = []
        for column in COLUMNS[2:]:
            text = (row[column] or "").strip()
            try:
                figures.append(float(text))
            except ValueError:
                faults.append(Fault(path.name, f"row {number}", column, repr(text), "a number above 0"))
        if len(figures) < len(COLUMNS) - 2:
            continue
        try:
            builds.append(PastBuild(row["build"], row["machine"], round(figures[0]), figures[1], figures[2]))
        except (ValueError, OverflowError) as wrong:
            faults.append(Fault(path.name, f"row {number}", "", str(wrong), "numbers above 0"))
    if faults:
        raise FaultyInput(faults)
    return tuple(builds)
