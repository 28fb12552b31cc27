"""Nesting benchmark: ours and general-purpose engines side by side, equal seconds on the same core.

    python -m tests.bench.nesting FILE... --seconds 5 --seed 1 --json out.json

Reads rectangle and polygon bin packing, perfect rectangle sets, polygon strips and lists of real outlines; which is
told by content. Every layout, ours and theirs, is checked with shapely before its value counts. The record is written
after every case; a run that broke off goes on where it was when the same --json is named again.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tests.bench.cases import Case, read_cases, spread
from tests.bench.record import entry_of, read_record, write_record
from tests.bench.side_by_side import ENGINES, Outcome, Side, engines_for
from tests.bench.totals import line, tables


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; 0 when every layout of ours is sound and in time, 1 when not, 2 for a file it cannot read."""
    options = _parser().parse_args(arguments)
    wanted = set(options.engines.split(",")) if options.engines else None
    if wanted is not None and not wanted <= set(ENGINES):
        print(f"engines: found {', '.join(sorted(wanted - set(ENGINES)))}; expected some of {', '.join(ENGINES)}")
        return 2
    try:
        cases = _cases(options)
        done = read_record(options.json) if options.json else []
    except (OSError, ValueError) as wrong:
        print(wrong, file=sys.stderr)
        return 2
    entries = _run(cases, done, wanted, options)
    names = {c.name for c in cases}
    mine = [e for e in entries if e["name"] in names]
    for text in tables(mine):
        print(text)
    return int(any(e["value"] is None and e["status"] != "not asked" for e in mine))


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.nesting", description=__doc__.split("\n")[0])
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE")
    parser.add_argument("--seconds", type=float, default=5.0, help="for each engine and case (default 5)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path, metavar="OUT", help="record; names already in it are not run again")
    parser.add_argument("--limit", type=int, metavar="K", help="at most K cases of each file, evenly spread")
    parser.add_argument("--only", default="", metavar="TEXT", help="cases whose name or family contains the text")
    parser.add_argument(
        "--engines", default="", help=f"comma-separated, of {', '.join(ENGINES)} (default: all that can)"
    )
    parser.add_argument("--task", choices=("all", "bins", "density"), default="all", help="one kind of question only")
    parser.add_argument("--core", type=int, help="core to run on (default: the last one this process may use)")
    return parser


def _cases(options: argparse.Namespace) -> list[Case]:
    cases: list[Case] = []
    for path in options.files:
        some = [c for c in read_cases(path, options.task) if options.only in c.name or options.only in c.family]
        cases.extend(spread(some, options.limit))
    return list({c.name: c for c in cases}.values())


def _run(
    cases: Sequence[Case], done: list[dict[str, Any]], wanted: set[str] | None, options: argparse.Namespace
) -> list[dict[str, Any]]:
    entries = list(done)
    finished = {e["name"] for e in done}
    core = options.core
    if core is None and hasattr(os, "sched_getaffinity"):
        core = max(os.sched_getaffinity(0))
    sides = {name: Side(name, core) for name in ENGINES}
    settings = {"asked_seconds": options.seconds, "seed": options.seed}
    try:
        for case in cases:
            if case.name in finished:
                continue
            outcomes: dict[str, Outcome] = {}
            for name in engines_for(case, wanted):
                outcomes[name] = sides[name].ask(case, options.seconds, options.seed)
            entry = entry_of(case, outcomes, settings)
            entries.append(entry)
            if options.json:
                write_record(options.json, entries)
            print(line(entry), flush=True)
    finally:
        for side in sides.values():
            side.close()
    return entries


if __name__ == "__main__":
    sys.exit(main())
