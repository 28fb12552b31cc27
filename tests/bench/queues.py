"""Simulated queues against closed forms: builds timed by the project's kernels beside what theory says of them.

    python -m tests.bench.queues FILE --seed 1 --json out.json

FILE: rows ``case,model,inputs,quantity,value`` as in queueing_checks.csv; its waits (Wq) and shares of waiting orders
are simulated, whatever else it holds is left out. ``value`` is the simulated mean, ``best_known`` the closed form,
``status`` says whether the interval holds it. A few in a hundred intervals of ``--level`` 95 % miss by chance.
"""

from __future__ import annotations

import argparse
import csv
import re
import resource
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from router.whatif.statistics import Interval
from tests.bench.queue_line import Line, Waited, simulate
from tests.bench.record import write_record


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; 0 when done, 2 for what it cannot read."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.queues", description=__doc__.split("\n")[0])
    parser.add_argument("file", type=Path, metavar="FILE")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--runs", type=int, default=30, help="independent runs a line")
    parser.add_argument("--orders", type=int, default=40_000, help="orders a run, a tenth of them not counted")
    parser.add_argument("--level", type=float, default=0.99)
    parser.add_argument("--json", type=Path, metavar="OUT")
    options = parser.parse_args(arguments)
    try:
        rows = list(csv.DictReader(options.file.read_text().splitlines()))
        asked = [(row, *read) for row in rows if (read := reading(row)) is not None]
    except (OSError, KeyError, ValueError) as wrong:
        print(f"cannot read {options.file}: {wrong!r}", file=sys.stderr)
        return 2
    seen: dict[Line, Waited] = {}
    entries: list[dict[str, Any]] = []
    for row, line, service, what in asked:
        if line not in seen:
            seen[line] = simulate(line, options.seed, options.runs, options.orders, options.level)
        found = seen[line]
        shown = found.waiting_share if what == "share" else _scaled(found.wait, service)
        entries.append(_entry(row, shown, found.seconds))
        print(_sentence(row, entries[-1]), flush=True)
    held = sum(e["status"] == "within the interval" for e in entries)
    print(f"{held} of {len(entries)} closed forms within the {options.level:.0%} interval of what was simulated")
    if options.json:
        write_record(options.json, entries)
    return 0


def reading(row: dict[str, str]) -> tuple[Line, float, str] | None:
    """The line of a row, its mean service in the unit asked for, and "wait" or "share"; None when it asks otherwise."""
    quantity, inputs, model = row["quantity"], row["inputs"], row["model"]
    what = "share" if "P(wait)" in quantity else "wait" if quantity in ("Wq h", "Wq min") else None
    if what is None:
        return None
    if found := re.match(r"(\d+) calls/h, (\d+) min mean, (\d+) operators", inputs):
        calls, minutes, machines = (int(x) for x in found.groups())
        return Line(machines, calls * minutes / 60.0 / machines), float(minutes), what
    arrivals = _number(r"lambda=([\d.]+)/h", inputs)
    if arrivals is None:
        return None
    if model.startswith("M/G/1"):
        service, scv = _number(r"E\[S\]=([\d.]+) h", inputs), _number(r"SCV=([\d.]+)", inputs)
        return None if service is None or scv is None else (Line(1, arrivals * service, scv), service, what)
    rate = _number(r"mu=([\d.]+)/h", inputs)
    machines = _number(r"c=(\d+)", inputs) or _number(r"M/M/(\d+)$", model)
    if rate is None or machines is None:
        return None
    return Line(int(machines), arrivals / rate / machines), 1.0 / rate, what


def _number(pattern: str, text: str) -> float | None:
    found = re.search(pattern, text)
    return float(found.group(1)) if found else None


def _scaled(interval: Interval, factor: float) -> Interval:
    half = None if interval.half_width is None else interval.half_width * factor
    return Interval(interval.mean * factor, half, interval.level, interval.replications)


def _entry(row: dict[str, str], found: Interval, seconds: float) -> dict[str, Any]:
    value = float(row["value"])
    return {
        "name": f"{row['case']} {row['model']} {row['quantity']}",
        "value": round(found.mean, 6),
        "bound": None,
        "best_known": value,
        "status": "within the interval" if found.holds(value) else "outside the interval",
        "seconds": round(seconds, 2),
        "peak_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1),
        "half_width": None if found.half_width is None else round(found.half_width, 6),
        "baselines": {"closed form": {"value": value, "seconds": 0.0}},
    }


def _sentence(row: dict[str, str], entry: dict[str, Any]) -> str:
    found = f"{entry['name']} ({row['inputs']}): {entry['value']:.4f} +- {entry['half_width']:.4f}"
    return f"{found}, closed form {entry['best_known']:.4f}: {entry['status']}"


if __name__ == "__main__":
    sys.exit(main())
