"""Location benchmark: our exact engine against a greedy add rule and a plain mixed-integer programme.

    python -m tests.bench.siting FILE... --seconds 60 --seed 1 --json out.json

FILE: data sets of siting_cases.py, whole or in part. ``value``: total cost, less is better. Every value is counted up
again from the problem alone. The plain programme is the usual strong formulation given to HiGHS, with at most
``--baseline-seconds``; it is left out above 60,000 pairs. The record is written after every case; a run
that broke off goes on when the same --json is named again.
"""

from __future__ import annotations

import argparse
import json
import math
import resource
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from router.whatif.siting import (
    LocateParams,
    Location,
    LocationProblem,
    add_rule,
    locate,
    location_faults,
    location_value,
    plain_programme,
)
from tests.bench.record import read_record, write_record
from tests.bench.siting_cases import SitingCase, siting_cases

_MOST_PAIRS = 60_000
_ROUNDING = 1e-6
"""Relative tolerance on published values, which are printed rounded."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; 0 when done, 1 when a value contradicts a published optimum, 2 for what it cannot read."""
    options = _parser().parse_args(arguments)
    try:
        cases = [c for file in options.files for c in _read(file, options)]
        entries = read_record(options.json) if options.json else []
    except (OSError, ValueError, KeyError, TypeError) as wrong:
        print(f"cannot read: {wrong!r}", file=sys.stderr)
        return 2
    finished = {e["name"] for e in entries}
    _warm_up(options.seed)
    for case in cases:
        if case.name in finished:
            continue
        entry = _entry(case, options)
        entries.append(entry)
        if options.json:
            write_record(options.json, entries)
        print(_line(entry), flush=True)
    names = {case.name for case in cases}
    seen = [e for e in entries if e["name"] in names]
    for text in _totals(seen):
        print(text)
    return 1 if any(e["note"] for e in seen) else 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.siting", description=__doc__.split("\n")[0])
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE")
    parser.add_argument("--seconds", type=float, default=60.0, help="a case, for our engine")
    parser.add_argument("--baseline-seconds", type=float, default=10.0, help="a case, for the plain programme")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path, metavar="OUT", help="record; names already in it are not run again")
    parser.add_argument("--limit", type=int, metavar="K", help="first K cases of each file")
    parser.add_argument("--only", default="", metavar="TEXT", help="cases whose name contains the text")
    return parser


def _read(file: Path, options: argparse.Namespace) -> list[SitingCase]:
    found = [c for c in siting_cases(json.loads(file.read_text())) if options.only in c.name]
    return found[: options.limit]


def _warm_up(seed: int) -> None:
    """Have the kernels compiled before any clock runs."""
    rng = np.random.default_rng(seed)
    cost = rng.integers(1, 30, (12, 5)).astype(float)
    demand, room = rng.integers(1, 9, 12).astype(float), np.full(5, 35.0)
    for whole in (True, False):
        locate(LocationProblem(np.full(5, 9.0), room, demand, cost, whole))
    locate(LocationProblem(np.zeros(5), np.full(5, np.inf), demand, cost, count=2))


def _entry(case: SitingCase, options: argparse.Namespace) -> dict[str, Any]:
    problem = case.problem
    found = locate(problem, LocateParams(seed=options.seed, seconds=options.seconds))
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    notes = []
    value = found.value
    if found.location is not None:
        notes = location_faults(problem, found.location)
        value = location_value(problem, found.location)
    known = case.best_known
    if known is not None and case.proven:
        slack = _ROUNDING * max(1.0, abs(known))
        if value is not None and value < known - slack:
            notes.append("value below a published optimum")
        if found.bound is not None and found.bound > known + slack:
            notes.append("bound above a published optimum")
    return {
        "name": case.name,
        "value": None if value is None else round(value, 6),
        "bound": None if found.bound is None else round(found.bound, 6),
        "best_known": known,
        "status": found.status.value,
        "seconds": round(found.seconds, 3),
        "peak_mb": round(peak_mb, 1),
        "family": case.family,
        "sites": problem.sites,
        "customers": problem.customers,
        "branches": found.branches,
        "baselines": _baselines(problem, options),
        "note": "; ".join(notes),
        "seed": options.seed,
    }


def _baselines(problem: LocationProblem, options: argparse.Namespace) -> dict[str, dict[str, Any]]:
    began = time.monotonic()
    rule = add_rule(problem)
    table = {"add rule": _baseline(problem, rule, time.monotonic() - began)}
    if problem.sites * problem.customers <= _MOST_PAIRS and options.baseline_seconds > 0:
        began = time.monotonic()
        plain, bound = plain_programme(problem, options.baseline_seconds, options.seed)
        table["plain programme"] = {
            **_baseline(problem, plain, time.monotonic() - began),
            "bound": round(bound, 6) if math.isfinite(bound) else None,
        }
    return table


def _baseline(problem: LocationProblem, choice: Location | None, seconds: float) -> dict[str, Any]:
    sound = choice is not None and not location_faults(problem, choice)
    value = round(location_value(problem, choice), 6) if choice is not None and sound else None
    return {"value": value, "seconds": round(seconds, 3)}


def _line(entry: Mapping[str, Any]) -> str:
    beside = ", ".join(
        f"{name} {'none' if b['value'] is None else format(b['value'], ',.0f')} ({b['seconds']:.1f} s)"
        for name, b in entry["baselines"].items()
    )
    value = "none" if entry["value"] is None else f"{entry['value']:,.3f}"
    return f"{entry['name']}: {value} {entry['status']} in {entry['seconds']:.2f} s; {beside} {entry['note']}".rstrip()


def _totals(entries: Sequence[Mapping[str, Any]]) -> list[str]:
    texts = []
    for family in sorted({e["family"] for e in entries}):
        own = [e for e in entries if e["family"] == family]
        proven = [e for e in own if e["status"] == "optimal"]
        slowest = max((e["seconds"] for e in proven), default=0.0)
        texts.append(f"{family}: {len(proven)} of {len(own)} proven, slowest proof {slowest:.1f} s")
        known = [e for e in own if e["best_known"] and e["value"] is not None]
        if known:
            over = [e["value"] / e["best_known"] - 1 for e in known]
            texts.append(f"  above best known: mean {sum(over) / len(over):.4%}, worst {max(over):.4%}")
        for name in ("add rule", "plain programme"):
            both = [
                (e["value"], e["baselines"][name])
                for e in own
                if e["value"] and e["baselines"].get(name, {}).get("value")
            ]
            if both:
                ratio = math.exp(sum(math.log(v / b["value"]) for v, b in both) / len(both))
                texts.append(f"  cost beside {name}: {ratio:.4f} (geometric mean of {len(both)})")
    return texts or ["no case"]


if __name__ == "__main__":
    sys.exit(main())
