"""Hold-or-go benchmark: the policy against simple rules, published policies and the best with the future known.

    python -m tests.bench.hold FILE... --seconds 8 --seed 1 --json out.json

FILE: ``parameters`` and ``instances`` as in hold_or_go.json (published fields may be missing). ``value`` is the profit
of the policy, mean over ``--runs`` runs of other seeds; more is better. ``--seconds`` is what the search with the
future known may take a case. The record is written after every case; a run that broke off goes on when the same --json
is named again.
"""

from __future__ import annotations

import argparse
import json
import resource
import statistics
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from router.whatif.hold import (
    ArrivalLaw,
    BoxPart,
    HoldCase,
    HoldParams,
    Lived,
    PlateTerms,
    fixed_rule,
    foreseen_best,
    live_through,
)
from tests.bench.record import read_record, write_record

_PROVEN_GAP = 1e-4
"""Published optima with at most this gap count as proven."""
_CENT = 0.015
"""Published values are rounded to cents."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; 0 when done, 2 for what it cannot read."""
    options = _parser().parse_args(arguments)
    try:
        cases = [c for file in options.files for c in _read(file, options)]
        entries = read_record(options.json) if options.json else []
    except (OSError, ValueError, KeyError, TypeError) as wrong:
        print(f"cannot read: {wrong!r}", file=sys.stderr)
        return 2
    finished = {e["name"] for e in entries}
    if cases:
        _warm_up(*cases[0])
    for case, law, published in cases:
        if case.name in finished:
            continue
        entry = _entry(case, law, published, options)
        entries.append(entry)
        if options.json:
            write_record(options.json, entries)
        print(_line(entry), flush=True)
    names = {case.name for case, _, _ in cases}
    for text in _totals([e for e in entries if e["name"] in names]):
        print(text)
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.hold", description=__doc__.split("\n")[0])
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE")
    parser.add_argument("--seconds", type=float, default=8.0, help="a case, for the search with the future known")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--runs", type=int, default=5, help="runs of the policy a case, each with its own seed")
    parser.add_argument("--json", type=Path, metavar="OUT", help="record; names already in it are not run again")
    parser.add_argument("--limit", type=int, metavar="K", help="first K cases of each file")
    parser.add_argument("--only", default="", metavar="TEXT", help="cases whose name contains the text")
    return parser


def _read(file: Path, options: argparse.Namespace) -> list[tuple[HoldCase, ArrivalLaw, Mapping[str, Any]]]:
    data = json.loads(file.read_text())
    p = data["parameters"]
    terms = PlateTerms(
        plate_w_mm=p["plate_mm"][0],
        plate_d_mm=p["plate_mm"][1],
        body_mm3_per_s=p["body_mm3_per_s"],
        support_mm3_per_s=p["support_mm3_per_s"],
        recoat_s_per_mm=p["recoat_s_per_mm"],
        pre_build_h=p["pre_build_h"],
        post_build_h=p["post_build_h"],
        cost_per_h=p["energy_cost_per_h"] + p["gas_cost_per_h"],
        powder_per_mm3=p["powder_cost_per_mm3"],
        cost_per_build=p["operator_cost_per_batch"],
        late_per_h=p["tardiness_cost_per_h"],
    )
    fields = tuple(BoxPart.__dataclass_fields__)
    cases = []
    for raw in data["instances"]:
        if options.only not in raw["name"]:
            continue
        parts = sorted((BoxPart(**{f: x[f] for f in fields}) for x in raw["parts"]), key=lambda b: b.arrival_h)
        case = HoldCase(raw["name"], raw["horizon_h"], terms, tuple(parts))
        cases.append((case, ArrivalLaw.named(raw["arrivals"]), raw.get("published_profit") or {}))
    return cases[: options.limit]


def _warm_up(case: HoldCase, law: ArrivalLaw, published: Mapping[str, Any]) -> None:
    """Have the kernels compiled before any clock runs."""
    crowd = tuple(replace(p, arrival_h=0.0) for p in case.parts)
    short = HoldCase(case.name, 12.0, case.terms, crowd)
    live_through(short, law, HoldParams(rule_samples=2, first_samples=2, last_samples=2))
    foreseen_best(short, 0.01, 1)


def _entry(
    case: HoldCase, law: ArrivalLaw, published: Mapping[str, Any], options: argparse.Namespace
) -> dict[str, Any]:
    began = time.monotonic()
    lived = [live_through(case, law, HoldParams(seed=options.seed + k)) for k in range(options.runs)]
    seconds = time.monotonic() - began
    foreseen = foreseen_best(case, options.seconds, options.seed)
    bound = published.get("offline_milp")
    proven = bound is not None and published.get("offline_milp_gap", 1.0) <= _PROVEN_GAP
    baselines = {
        "start when free": _baseline(lambda: fixed_rule(case, 0.0, 0.0)),
        "half full or due": _baseline(lambda: fixed_rule(case, 0.5, 0.0)),
        "future known": {"value": round(foreseen.profit, 2), "seconds": round(options.seconds, 3)},
    }
    for name, key in (
        ("published: start when free", "start_when_machine_free"),
        ("published: lookahead", "lookahead_mean"),
    ):
        if key in published:
            baselines[name] = {"value": published[key], "seconds": None}
    if bound is not None:
        baselines["published: future known"] = {
            "value": bound,
            "seconds": None,
            "gap": published.get("offline_milp_gap"),
        }
    return {
        "name": case.name,
        "value": round(statistics.fmean(r.profit for r in lived), 2),
        "bound": bound if proven else None,
        "best_known": bound,
        "status": "done",
        "seconds": round(seconds / options.runs, 3),
        "peak_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1),
        "slowest_decision_s": round(max(r.slowest_s for r in lived), 3),
        "runs": [round(r.profit, 2) for r in lived],
        "future_known_matches": (foreseen.profit >= bound - _CENT) if bound is not None else None,
        "future_known_beats": (foreseen.profit > bound + _CENT) if bound is not None else None,
        "proven": proven,
        "baselines": baselines,
        "seed": options.seed,
    }


def _baseline(rule: Any) -> dict[str, Any]:
    began = time.monotonic()
    lived: Lived = rule()
    return {"value": round(lived.profit, 2), "seconds": round(time.monotonic() - began, 3)}


def _line(entry: Mapping[str, Any]) -> str:
    beside = ", ".join(f"{name} {b['value']:,.0f}" for name, b in entry["baselines"].items())
    return f"{entry['name']}: {entry['value']:,.0f} (slowest decision {entry['slowest_decision_s']:.2f} s); {beside}"


def _totals(entries: Sequence[Mapping[str, Any]]) -> list[str]:
    if not entries:
        return ["no case"]
    mean = statistics.fmean(e["value"] for e in entries)
    free = statistics.fmean(e["baselines"]["start when free"]["value"] for e in entries)
    texts = [f"{len(entries)} cases, mean profit {mean:,.0f}: {mean / free:.2f} times start when free ({free:,.0f})"]
    looked = [e for e in entries if "published: lookahead" in e["baselines"]]
    if looked:
        ours = statistics.fmean(e["value"] for e in looked)
        theirs = statistics.fmean(e["baselines"]["published: lookahead"]["value"] for e in looked)
        texts.append(f"beside the published lookahead: {ours:,.0f} to {theirs:,.0f}, ratio {ours / theirs:.3f}")
    proven = [e for e in entries if e["proven"]]
    texts.append(
        f"future known: {sum(e['future_known_matches'] for e in proven)} of {len(proven)} proven optima matched"
    )
    rest = [e for e in entries if e["best_known"] is not None and not e["proven"]]
    texts.append(
        f"future known: {sum(e['future_known_beats'] for e in rest)} of {len(rest)} values without proof beaten"
    )
    return texts


if __name__ == "__main__":
    sys.exit(main())
