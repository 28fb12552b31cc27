"""Plates of parts for the planner's engine: a thin adapter into its own model, and its plan back in the problem's.

One site, one powder; a part is a line of one piece, a model of machine for each machine. Lateness costs
``UNIT_CENTS`` cents a minute of the planner's clock, so the plan's cents are the goal (total completion: everything
is due at 0). For the makespan everything is due at one moment, which falls from search to search.
"""

from __future__ import annotations

import math
import time
from collections import defaultdict
from dataclasses import replace

from router.nesting import PlateSpec, Shape
from router.scheduling.draft import Draft, Plan
from router.scheduling.rooms import NestRooms
from router.scheduling.shop import Shop
from router.scheduling.solve import Outcome, SolveParams, solve
from tests.bench.plain_shop import UNIT_CENTS, PlainLine, PlainMachine, PlainVariant, plain_shop
from tests.bench.plan_case import Ask, Found
from tests.bench.plates_bound import makespan_bound
from tests.bench.plates_check import plan_faults, plan_value
from tests.bench.plates_problem import Build, PlatesProblem, Put, takes, timed

#: Step of the nest's second opinion on few pieces, and the longer side up to which it is asked for (in units).
LATTICE_STEP, LATTICE_SIDE = 1.0, 50.0
#: Due moments tried for a makespan; the first, as a multiple of the bound; later ones, as a share of the way from the
#: bound to the best makespan met.
_TARGETS, _FIRST_AIM, _AIM = 6, 1.15, 0.8
_LEAST_S = 0.2


def shop_of(problem: PlatesProblem, due: int | None = None) -> tuple[Shop, NestRooms]:
    """The planner's model of a problem; ``due``: one due moment for all, in minutes of its clock."""
    outlines = [Shape.make([(p.rings[0], p.rings[1:])], p.angles) for p in problem.parts]
    unique = {s.key: s for s in outlines}
    index = {key: n for n, key in enumerate(unique)}
    specs: list[PlateSpec] = []
    machines: list[PlainMachine] = []
    for number, m in enumerate(problem.machines):
        spec = PlateSpec(m.width, m.depth, edge_margin_mm=m.margin, spacing_mm=m.spacing)
        if spec not in specs:
            specs.append(spec)
        machines.append(
            PlainMachine(
                site=0,
                model=number,
                plate=specs.index(spec),
                area=spec.usable_area_mm2,
                setup_min=m.setup / problem.unit,
                layer_min=m.layer / problem.unit,
            )
        )
    variants = [
        [
            []
            if (tall := m.tall[i]) is None or not takes(problem, k, i)
            else [
                PlainVariant(
                    index[outline.key],
                    outline.area_mm2,
                    math.ceil(tall / m.layer - 1e-9),
                    m.exposure[i] / problem.unit,
                )
            ]
            for k, m in enumerate(problem.machines)
        ]
        for i, outline in enumerate(outlines)
    ]
    lines = [
        PlainLine(
            release=math.ceil(p.release / problem.unit - 1e-9),
            due=due if due is not None else (0 if problem.goal == "completion" else math.floor(p.due / problem.unit)),
            late_cents=UNIT_CENTS,
        )
        for p in problem.parts
    ]
    shop = plain_shop(lines, machines, variants, horizon(problem))
    lattice = LATTICE_STEP if max(max(m.width, m.depth) for m in problem.machines) <= LATTICE_SIDE else 0.0
    return shop, NestRooms(specs, list(unique.values()), None, lattice_mm=lattice)


def horizon(problem: PlatesProblem) -> int:
    """Minutes of the planner's clock no sensible plan passes: every part by itself, all on one machine."""
    alone = [max(m.duration([i]) for m in problem.machines if m.tall[i] is not None) for i in range(len(problem.parts))]
    whole = sum(alone) / problem.unit + len(alone)
    return math.ceil(whole + max(p.release for p in problem.parts) / problem.unit) + 1


def builds_of(problem: PlatesProblem, draft: Draft) -> tuple[Build, ...]:
    """The engine's plan in the problem's terms; times are the earliest for its sequences."""
    queues: list[list[list[Put]]] = []
    keys = [Shape.make([(p.rings[0], p.rings[1:])], p.angles).key for p in problem.parts]
    for k in range(len(problem.machines)):
        queue: list[list[Put]] = []
        for plate in draft.queue(k):
            by_key: dict[str, list[int]] = defaultdict(list)
            for line, _, pieces in draft.lines_on(plate):
                by_key[keys[line]].extend([line] * pieces)
            rooms = draft.rooms
            assert isinstance(rooms, NestRooms)
            placements = rooms.nest(draft.held[plate]).placements
            # A placement without a line, or a line without one, stays visible to the check as a part too many or few.
            queue.append([Put(by_key[p.shape_key].pop(), p.x_mm, p.y_mm, p.angle_deg) for p in placements])
        queues.append(queue)
    return timed(problem, queues)


def ours(problem: PlatesProblem, ask: Ask) -> Found:
    """Plan within the time asked, and judge the plan with the independent check."""
    if problem.goal == "makespan":
        return _makespan(problem, ask)
    shop, rooms = shop_of(problem)
    cents = None if ask.bound is None else ask.bound / problem.unit * UNIT_CENTS
    outcome = solve(
        shop, rooms, SolveParams(ask.seed, ask.seconds, ask.work, ask.workers), bound=cents, started=ask.began
    )
    return judged(problem, outcome)


def judged(problem: PlatesProblem, outcome: Outcome) -> Found:
    """An outcome of the engine, its value worked out anew; None when the plan is unsound or incomplete."""
    draft = outcome.draft
    builds = builds_of(problem, draft)
    wrong = plan_faults(problem, builds)
    if wrong:
        return Found(None, status=f"unsound: {'; '.join(wrong[:3])}")
    value = plan_value(problem, builds)
    claimed = draft.cents / UNIT_CENTS * problem.unit
    # Whole minutes round every build up by less than a minute and every part of a build with it.
    slack = 0.0 if problem.unit == 1.0 else problem.unit * len(problem.parts) * max(1, len(builds))
    if problem.goal != "makespan" and not value - 1e-6 <= claimed <= value + slack + 1e-6:
        return Found(None, status=f"unsound: the engine says {claimed:g}, the check {value:g}")
    reached = [t for t, _, cents in outcome.trace if cents <= draft.cents]
    return Found(
        value,
        to_best_s=reached[0] if reached else None,
        note=f"{outcome.work} rounds; {outcome.stop_reason}",
        rounds=outcome.work,
        trace=tuple((t, cents / UNIT_CENTS * problem.unit) for t, _, cents in outcome.trace),
    )


def _makespan(problem: PlatesProblem, ask: Ask) -> Found:
    """Falling common due moments: the sum of lateness behind one is least where little ends after it.

    Every search goes on from the plan of shortest makespan met so far and aims between it and the bound.
    """
    low = makespan_bound(problem)
    shop, rooms = shop_of(problem, math.ceil(low / problem.unit))
    best: Found | None = None
    plan: Plan | None = None
    trace: list[tuple[float, float]] = []
    rounds = 0
    for step in range(_TARGETS):
        left = ask.began + ask.seconds - time.monotonic()
        if best is not None and left <= _LEAST_S:
            break
        aim = _FIRST_AIM * low if best is None or best.value is None else low + _AIM * (best.value - low)
        shop.lines["due_day"] = shop.lines["pressed_from"] = math.floor(aim / problem.unit)
        seconds = max(_LEAST_S, left / (_TARGETS - step))
        outcome = solve(shop, rooms, SolveParams(ask.seed + step, seconds, None, ask.workers), bound=0.0, start=plan)
        rounds += outcome.work
        found = judged(problem, outcome)
        if found.value is None:
            return found
        if best is None or best.value is None or found.value < best.value:
            best = replace(found, to_best_s=round(time.monotonic() - ask.began, 3))
            trace.append((best.to_best_s or 0.0, found.value))
            plan = outcome.draft.unload()
        if best.value is not None and best.value <= low * (1 + 1e-9):
            break
    assert best is not None
    return replace(best, trace=tuple(trace), note=f"{rounds} rounds on {step + 1} due moments", rounds=rounds)


def warm_up(problem: PlatesProblem) -> None:
    """A few rounds on a problem, so that every kernel is compiled."""
    shop, rooms = shop_of(problem, 0 if problem.goal == "makespan" else None)
    solve(shop, rooms, SolveParams(seed=1, seconds=None, work=60))
