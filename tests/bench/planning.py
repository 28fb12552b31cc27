"""Planning benchmark: ours, a monolithic CP-SAT model and simple rules side by side, with published values and bounds.

    python -m tests.bench.planning FILE... --seconds auto --seed 1 --json out.json

FILE: irregular tardiness, lists of real parts, generalised assignment, facility location (told by content), a scenario
folder, or the words generated:LINES. Every plan, ours and theirs, is checked independently before its value counts. The
record is written after every case; a run that broke off goes on where it was when the same --json is named again.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from tests.bench.plan_case import PlanCase
from tests.bench.plan_read import read_plan_cases
from tests.bench.plan_side import Measured, measure
from tests.bench.plan_totals import OURS, entry_of, line, tables
from tests.bench.record import read_record, write_record

ENGINES = (OURS, "cpsat", "habit", "greedy")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; 0 when every plan of ours is sound and in time, 1 when not, 2 for what it cannot read."""
    options = _parser().parse_args(arguments)
    engines = tuple(e for e in options.engines.split(",") if e)
    if not set(engines) <= set(ENGINES):
        print(f"engines: found {', '.join(sorted(set(engines) - set(ENGINES)))}; expected some of {', '.join(ENGINES)}")
        return 2
    try:
        seconds = None if options.seconds == "auto" else float(options.seconds)
        cases = _cases(options)
        done = read_record(options.json) if options.json else []
    except (OSError, ValueError) as wrong:
        print(wrong, file=sys.stderr)
        return 2
    entries = _run(cases, done, engines, seconds, options)
    names = {c.name for c in cases}
    mine = [e for e in entries if e["name"] in names]
    for text in tables(mine):
        print(text)
    return int(any(e["value"] is None and e["status"] != "not asked" for e in mine))


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.planning", description=__doc__.split("\n")[0])
    parser.add_argument("files", nargs="+", metavar="FILE", help="data file, scenario folder or generated:LINES")
    parser.add_argument("--seconds", default="auto", help="for each engine and case; auto: by kind and size (default)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path, metavar="OUT", help="record; names already in it are not run again")
    parser.add_argument("--limit", type=int, metavar="K", help="at most K cases of each file, evenly spread")
    parser.add_argument("--only", default="", metavar="TEXT", help="cases whose name, family or goal contains the text")
    parser.add_argument(
        "--workers",
        type=int,
        default=0,
        metavar="W",
        help="processes or threads of an engine (default: on networks as many as pay, else 1)",
    )
    parser.add_argument("--engines", default=",".join(ENGINES), help=f"comma-separated, of {', '.join(ENGINES)}")
    parser.add_argument("--prove", type=float, default=0.0, metavar="S", help="seconds a case for a stronger bound")
    parser.add_argument("--rotate", action="store_true", help="irregular tardiness: right angles allowed")
    parser.add_argument("--above", type=float, metavar="V", help="cases whose best known value is above V")
    parser.add_argument("--at-most", type=float, metavar="V", help="cases whose best known value is at most V")
    parser.add_argument("--no-audit", action="store_true", help="scenarios: do not audit the plan")
    return parser


def _cases(options: argparse.Namespace) -> list[PlanCase]:
    cases: list[PlanCase] = []
    for named in options.files:
        some = [c for c in read_plan_cases(named, options) if _wanted(c, options)]
        k = options.limit
        if k is not None and k < len(some):
            some = [some[(2 * n + 1) * len(some) // (2 * k)] for n in range(k)]
        cases.extend(some)
    return list({c.name: c for c in cases}.values())


def _wanted(case: PlanCase, options: argparse.Namespace) -> bool:
    if options.above is not None and (case.best_known is None or case.best_known <= options.above):
        return False
    if options.at_most is not None and (case.best_known is None or case.best_known > options.at_most):
        return False
    return any(options.only in text for text in (case.name, case.family, case.goal))


def _run(
    cases: Sequence[PlanCase],
    done: list[dict[str, Any]],
    engines: Sequence[str],
    seconds: float | None,
    options: argparse.Namespace,
) -> list[dict[str, Any]]:
    entries = list(done)
    finished = {e["name"] for e in done}
    left = [c for c in cases if c.name not in finished]
    _warm_up(left, engines)
    for case in left:
        asked_s = case.auto_seconds if seconds is None else seconds
        workers = options.workers or case.auto_workers
        if case.prove is not None:
            bounds = [b for b in (case.bound, case.prove(options.prove)) if b is not None]
            case = replace(case, bound=max(bounds, default=None))
        measured: dict[str, Measured] = {}
        if "cpsat" in engines and case.prepare_cpsat is not None:
            case.prepare_cpsat()
        for name in engines:
            if name in case.engines:
                measured[name] = measure(case.engines[name], asked_s, options.seed, workers, case.bound)
        entry = entry_of(case, asked_s, measured, {"seed": options.seed, "workers": workers})
        entries.append(entry)
        if options.json:
            write_record(options.json, entries)
        print(line(entry), flush=True)
    return entries


def _warm_up(cases: Sequence[PlanCase], engines: Sequence[str]) -> None:
    """Compile the kernels in this process before any clock runs; the forked ones then have them."""
    started = time.monotonic()
    for family in dict.fromkeys(c.family.split(" ")[0] for c in cases):
        case = min((c for c in cases if c.family.split(" ")[0] == family), key=lambda c: c.size)
        if case.warm_up is not None and {OURS, "greedy", "habit"} & set(engines):
            case.warm_up()
    if cases:
        print(f"warmed up in {time.monotonic() - started:.1f} s", file=sys.stderr)


if __name__ == "__main__":
    sys.exit(main())
