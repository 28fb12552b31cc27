"""Where would this line go: how long the live plan takes to answer, how long to open, and what it weighs.

    python -m tests.bench.where_to generated:5000 --lines 100 --json where.json

The scenario is planned once (kept beside the generated scenario, and planned anew when it no longer fits); the live
plan is opened on it; then lines the plan does not know are asked about, each made of the part of one line of the book
and the quantity, place and dates of another, and as many lines of the plan itself. Then builds are moved to the front
of the queue of a machine of their site, and each move is judged by the auditor, by what changed. Told: wall and process
seconds of each question, by their median, 95th percentile and greatest. No baseline: the bar is 0.3 s at the 95th
percentile for a new line. The memory told is that of the live plan only in a run that finds its plan made.
"""

from __future__ import annotations

import argparse
import pickle
import random
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from router.audit import audit_change
from router.domain.network import Scenario
from router.domain.orders import OrderLine
from router.domain.plan import Build, Plan
from router.formats import read_scenario
from router.kernel.faults import Conflict
from router.planning import RunParams, plan_scenario
from router.planning.live import LivePlan
from router.planning.moves import move_build
from tests.bench.plan_network import GENERATED, cache_folder, generated
from tests.bench.record import write_record

BAR_S = 0.3
_WARM = 3
_KINDS = ("lines the plan does not know", "lines of the plan", "moves of builds", "audits of moves")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; 0 when the bar is met, 1 when not."""
    options = _parser().parse_args(arguments)
    named = options.scenario
    made_up = named.startswith(GENERATED)
    folder = generated(int(named.removeprefix(GENERATED)), options.seed) if made_up else Path(named)
    scenario = read_scenario(folder, cache_folder() / "measured")
    live, plan, opened_s, held_mb = _opened(scenario, options)
    lines = new_lines(scenario, options.lines, options.seed)
    parts = scenario.parts
    asked = [_times([(lambda x=x: live.where_new(x, parts[x.model])) for x in lines])]
    ids = [x.line_id for x in scenario.lines]
    known = random.Random(options.seed).sample(ids, min(options.lines, len(ids)))
    asked.append(_times([(lambda i=i: live.where(i)) for i in known]))
    tried, judged = _moves(scenario, live, plan, options)
    asked += [tried, judged]
    entries = [
        {
            "name": f"{named}, {what}",
            "lines": len(scenario.lines),
            "builds": len(plan.builds),
            "open_seconds": round(opened_s, 3),
            "held_mb": round(held_mb, 1),
            **figures,
        }
        for what, figures in zip(_KINDS, asked, strict=True)
    ]
    for entry in entries:
        print("; ".join(f"{k} {v}" for k, v in entry.items()))
    if options.json:
        write_record(options.json, entries)
    return int(entries[0]["p95_s"] > BAR_S)


def new_lines(scenario: Scenario, count: int, seed: int) -> list[OrderLine]:
    """Lines no plan knows: the part of one line, quantity, place and dates of another, both drawn."""
    rng = random.Random(seed)
    made = []
    for n in range(count):
        part, other = rng.choice(scenario.lines), rng.choice(scenario.lines)
        made.append(
            replace(
                part,
                line_id=f"asked-{n}",
                quantity=other.quantity,
                ship_to=other.ship_to,
                release_at=other.release_at,
                received_at=other.received_at,
                due_date=other.due_date,
                late_cents_per_day=other.late_cents_per_day,
            )
        )
    return made


def _moves(
    scenario: Scenario, live: LivePlan, plan: Plan, options: argparse.Namespace
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Builds moved to the front of a queue at their site, and what the auditor says of each that can be."""
    rng = random.Random(options.seed)
    machine = scenario.network.machine
    moved: list[Plan] = []

    def move(build: Build) -> None:
        site_id = machine[build.machine_id].site_id
        near = [m.machine_id for m in scenario.network.machines if m.site_id == site_id]
        found = move_build(live, build.build_id, rng.choice(near), None)
        if found.plan is not None:
            moved.append(found.plan)

    def judge(after: Plan) -> None:
        report = audit_change(scenario, plan, after)
        if not report.clean:
            raise AssertionError(report.findings[0].sentence())

    builds = rng.sample(plan.builds, min(options.lines, len(plan.builds)))
    tried = _times([(lambda b=b: move(b)) for b in builds])
    return tried, _times([(lambda p=p: judge(p)) for p in moved])


def _opened(scenario: Scenario, options: argparse.Namespace) -> tuple[LivePlan, Plan, float, float]:
    """The live plan, its plan, seconds to open it and the memory it holds in MB."""
    kept = cache_folder() / f"live-{scenario.fingerprint[:16]}-{options.seconds:g}s.pickle"
    if kept.exists():
        plan: Plan = pickle.loads(kept.read_bytes())
        try:
            return _open(scenario, plan)
        except Conflict as stale:
            print(f"planned anew: {stale}", file=sys.stderr)
    plan = plan_scenario(scenario, RunParams(seed=options.seed, seconds=options.seconds)).plan
    kept.write_bytes(pickle.dumps(plan))
    return _open(scenario, plan)


def _open(scenario: Scenario, plan: Plan) -> tuple[LivePlan, Plan, float, float]:
    before, begun = _resident_mb(), time.perf_counter()
    live = LivePlan(scenario, plan)
    return live, plan, time.perf_counter() - begun, _resident_mb() - before


def _resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 1e6


def _times(questions: list[Callable[[], Any]]) -> dict[str, Any]:
    for question in questions[:_WARM]:
        question()
    wall, cpu = [], []
    for question in questions:
        a, b = time.perf_counter(), time.process_time()
        question()
        wall.append(time.perf_counter() - a)
        cpu.append(time.process_time() - b)
    wall.sort()
    cpu.sort()
    return {
        "questions": len(wall),
        "p50_s": _share(wall, 0.50),
        "p95_s": _share(wall, 0.95),
        "most_s": round(wall[-1], 4),
        "p95_cpu_s": _share(cpu, 0.95),
    }


def _share(values: list[float], share: float) -> float:
    return round(values[min(len(values) - 1, int(share * len(values)))], 4)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.where_to", description=(__doc__ or "").split("\n")[0])
    parser.add_argument("scenario", help="generated:LINES or a scenario folder")
    parser.add_argument("--lines", type=int, default=100, help="questions of each kind")
    parser.add_argument("--seconds", type=float, default=60.0, help="time to plan in (default 60)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path, metavar="OUT")
    return parser


if __name__ == "__main__":
    sys.exit(main())
