"""How time and memory grow with the order book, and the exponent of the growth.

    python -m tests.bench.growth --sizes 200,1000,5000,20000 --seconds 60 --seed 1 --json growth.json

Every size is planned in a process of its own, on a generated network of 12 sites and 60 machines. Told of each:
reading, compiling, first plan, bound, peak memory, and the *time to equal gap*: seconds from the start of reading until
the plan's gap to that size's own bound is at most G. G is --gap, or else the least gap of the size that ends worst, so
that every size reaches it. As a search that is given longer takes its time, --seconds may name several budgets: the
time is the least over them (with --gap, a size is not asked again once it has reached it). The exponent is the slope
of the least-squares line through (log size, log figure); a size that does not reach G is left out, which is then said.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench.plan_network import network_cases
from tests.bench.plan_side import Measured, measure
from tests.bench.record import read_record, write_record

Entry = dict[str, Any]
FIGURES = {
    "read_seconds": "reading",
    "compile_seconds": "compiling",
    "first_plan_seconds": "first plan",
    "usable_seconds": "start to first plan",
    "bound_seconds": "bound",
    "equal_gap_seconds": "time to equal gap",
    "peak_mb": "peak memory",
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; 0 when every size was planned, 1 when not, 2 for arguments it cannot use."""
    options = _parser().parse_args(arguments)
    try:
        budgets = sorted({float(s) for s in options.seconds.split(",")})
        sizes = sorted({int(s) for s in options.sizes.split(",")})
        done = read_record(options.json) if options.json else []
    except (OSError, ValueError) as wrong:
        print(wrong, file=sys.stderr)
        return 2
    if any(s <= 0 for s in [*sizes, *budgets]):
        print(f"found sizes {options.sizes}, seconds {options.seconds}; expected numbers above 0", file=sys.stderr)
        return 2
    entries = [e for e in done if "lines" in e]
    _run(entries, sizes, budgets, options)
    mine = [e for e in entries if e["lines"] in sizes]
    gap = options.gap if options.gap is not None else equal_gap(mine)
    rows = by_size(mine, gap)
    fits = {key: exponent([(r["lines"], r[key]) for r in rows]) for key in FIGURES}
    if options.json:
        write_record(options.json, [*entries, {"name": "growth", "gap": gap, "exponents": fits}])
    for text in table(rows, gap, fits):
        print(text)
    return int(any(e["value"] is None for e in mine))


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.growth", description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--sizes", default="200,1000,5000,20000", help="order lines, comma-separated")
    parser.add_argument("--seconds", default="60", help="budgets for each size, comma-separated (default 60)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=0, metavar="W", help="processes; default: as many as pay")
    parser.add_argument("--gap", type=float, metavar="G", help="equal gap, as a share (default: the largest reached)")
    parser.add_argument("--json", type=Path, metavar="OUT", help="record; sizes already in it are not run again")
    return parser


def _run(entries: list[Entry], sizes: Sequence[int], budgets: Sequence[float], options: argparse.Namespace) -> None:
    """Add what is missing in the record, writing it after every run."""
    warm = False
    for lines in sizes:
        for budget in budgets:
            mine = [e for e in entries if e["lines"] == lines]
            reached = options.gap is not None and any(
                (end := final_gap(e)) is not None and end <= options.gap for e in mine
            )
            name = f"generated {lines} lines, seed {options.seed}, {budget:g} s"
            if reached or any(e["name"] == name for e in mine):
                continue
            case = next(network_cases(f"generated:{lines}", options.seed, audit=False))
            if not warm and case.warm_up is not None:
                case.warm_up()
                warm = True
            measured = measure(case.engines["ours"], budget, options.seed, options.workers or case.auto_workers)
            entries.append(entry_of(name, lines, budget, measured))
            if options.json:
                write_record(options.json, entries)
            print(f"{name}: {entries[-1]['status']}", file=sys.stderr, flush=True)


def entry_of(name: str, lines: int, budget: float, measured: Measured) -> Entry:
    """What is written of one size. Times are seconds of the phase alone, ``usable_seconds`` from the start."""
    found = measured.found
    more = dict(found.more)
    begun: dict[str, float] = {}
    for phase, at in more.get("phases", ()):
        begun.setdefault(phase, at)
    usable = more.get("first_plan_seconds")
    compiled = begun.get("first plan")
    return {
        "name": name,
        "lines": lines,
        "budget": budget,
        "value": found.value,
        "bound": found.bound,
        "status": found.status or "feasible",
        "seconds": measured.seconds,
        "ready_seconds": found.ready_s,
        "peak_mb": measured.peak_mb,
        "read_seconds": more.get("read_seconds"),
        "compile_seconds": _between(begun.get("who may build what"), compiled),
        "first_plan_seconds": _between(compiled, usable),
        "usable_seconds": usable,
        "bound_seconds": _between(begun.get("lower bound"), begun.get("search")),
        "trace": more.get("trace", ()),
        "note": found.note,
    }


def final_gap(entry: Mapping[str, Any]) -> float | None:
    """(value - bound) / value of a run; None without both."""
    if entry["value"] is None or entry["bound"] is None or entry["value"] <= 0:
        return None
    return float((entry["value"] - entry["bound"]) / entry["value"])


def equal_gap(entries: Sequence[Mapping[str, Any]]) -> float | None:
    """Of every size the least gap a run ends with, and of these the largest; None when there is none."""
    least: dict[int, float] = {}
    for entry in entries:
        end = final_gap(entry)
        if end is not None:
            least[entry["lines"]] = min(end, least.get(entry["lines"], end))
    return max(least.values(), default=None)


def by_size(entries: Sequence[Mapping[str, Any]], gap: float | None) -> list[Entry]:
    """A row a size: the run of the longest budget, with the least ``equal_gap_seconds`` of all runs of the size."""
    rows: list[Entry] = []
    for lines in sorted({e["lines"] for e in entries}):
        runs = sorted((e for e in entries if e["lines"] == lines), key=lambda e: float(e["budget"]))
        times = [t for e in runs if gap is not None and (t := seconds_to_gap(e, gap)) is not None]
        rows.append({**runs[-1], "equal_gap_seconds": min(times, default=None)})
    return rows


def seconds_to_gap(entry: Mapping[str, Any], gap: float) -> float | None:
    """First moment of the trace at which value - bound is at most ``gap`` of the value."""
    if entry["bound"] is None:
        return None
    for seconds, value in entry["trace"]:
        if value - entry["bound"] <= gap * value + 1e-9:
            return float(seconds)
    return None


def exponent(points: Sequence[tuple[float, float | None]]) -> float | None:
    """Slope of the least-squares line through (log x, log y); None with fewer than two positive points."""
    good = [(x, y) for x, y in points if y is not None and y > 0]
    if len({x for x, _ in good}) < 2:
        return None
    slope, _ = np.polyfit([math.log(x) for x, _ in good], [math.log(y) for _, y in good], 1)
    return round(float(slope), 3)


def table(entries: Sequence[Entry], gap: float | None, fits: Mapping[str, float | None]) -> list[str]:
    """Lines as printed."""
    heads = "".join(f"{title:>21}" for title in FIGURES.values())
    shown = [f"{'lines':>8}{heads}   final gap"]
    for entry in entries:
        cells = "".join(f"{_cell(entry[key]):>21}" for key in FIGURES)
        end = final_gap(entry)
        shown.append(f"{entry['lines']:>8}{cells}   {'-' if end is None else f'{100 * end:.2f} %'}")
    shown.append(f"{'exponent':>8}" + "".join(f"{_cell(fits[key]):>21}" for key in FIGURES))
    if gap is not None:
        out = [str(e["lines"]) for e in entries if e["equal_gap_seconds"] is None]
        left = f"; not reached, and left out of the line, with {', '.join(out)} lines" if out else ""
        shown.append(f"equal gap: {100 * gap:.2f} % of the plan's value above the size's own bound{left}")
    return shown


def _between(begin: float | None, end: float | None) -> float | None:
    return None if begin is None or end is None else round(end - begin, 3)


def _cell(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"


if __name__ == "__main__":
    sys.exit(main())
