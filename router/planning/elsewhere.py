"""One line forced to each site in turn, the rest of the plan solved around it: the true difference in cost."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace

from router.domain.network import Scenario
from router.domain.plan import Plan
from router.domain.result import Kpis
from router.kernel.faults import NotFound
from router.kernel.run import Listener, Silent
from router.planning.compiled import Compiled, compiled
from router.planning.draft_plan import adopt
from router.planning.key_figures import key_figures
from router.planning.live import LivePlan
from router.planning.problem import Problem
from router.planning.publish import NO_PLACE, publish
from router.planning.removal import remove, whole_lines
from router.planning.solve import fill_gaps
from router.planning.state import State, Undo
from router.scheduling.draft import Draft
from router.scheduling.draft import Plan as DraftPlan
from router.scheduling.rooms import COUPON, Contents
from router.scheduling.search import fill_gaps as fill_draft
from router.scheduling.solve import SolveParams, sizes_for, solve

AS_IT_IS = ""
"""Label of the answer in which the line may go anywhere: what the same effort makes of the plan itself."""


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """The plan with the line at one site; None with reasons when it cannot be."""

    site_id: str
    plan: Plan | None
    kpis: Kpis | None
    reasons: tuple[str, ...]


def elsewhere(
    scenario: Scenario,
    plan: Plan,
    line_id: str,
    seconds: float | None,
    seed: int,
    listener: Listener | None = None,
    cancel: threading.Event | None = None,
    work: int | None = None,
) -> Iterator[Elsewhere]:
    """First the plan as it is, solved on with the same effort; then one answer a site. ``seconds`` or ``work`` each.

    Differences between the answers are due to the site, not to the effort. Raises NotFound for an unknown line. After a
    cancel no further site is begun.
    """
    listener = listener or Silent()
    if line_id not in scenario.line:
        raise NotFound(f"no line {line_id!r} in the plan's book")
    live = LivePlan(scenario, plan)
    line = live.problem.lines.index(scenario.line[line_id])
    sites = [s.site_id for s in scenario.network.sites]
    for n, site_id in enumerate((AS_IT_IS, *sites)):
        if cancel is not None and cancel.is_set():
            return
        listener.phase(f"line at {site_id}" if site_id else "the plan as it is", len(sites) + 1)
        listener.step(n)
        why = live.problem.eligibility.why_not(line_id, site_id) if site_id else ()
        if why:
            yield Elsewhere(site_id, None, None, why)
            continue
        yield _answer(live, line, site_id, SolveParams(seed, seconds, work), listener, cancel)


def _answer(
    live: LivePlan,
    line: int,
    site_id: str,
    params: SolveParams,
    listener: Listener,
    cancel: threading.Event | None,
) -> Elsewhere:
    scenario = live.problem.scenario
    problem = live.problem
    if site_id != AS_IT_IS:
        forced = replace(problem.lines[line], approved_sites=(site_id,))
        problem = Problem(replace(scenario, lines=(*scenario.lines[:line], forced, *scenario.lines[line + 1 :])))
    arrays = compiled(problem)
    start = _start(live, line if site_id != AS_IT_IS else None, problem, arrays)
    begun = time.monotonic()
    outcome = solve(arrays.shop, arrays.rooms, params, listener=listener, cancel=cancel, start=start, started=begun)
    state = adopt(problem, arrays, outcome.draft)
    fill_gaps(state)
    if not state.on[line]:
        return Elsewhere(site_id, None, None, (NO_PLACE,))
    found = publish(state, "optimizer", params.seed)
    return Elsewhere(site_id, found, key_figures(problem, found), ())


def _start(live: LivePlan, without: int | None, problem: Problem, arrays: Compiled) -> DraftPlan:
    """The live plan for the search, the forced line put at its site where it found room."""
    journal: list[Undo] = []
    try:
        if without is not None and live.state.on[without]:
            remove(live.state, whole_lines(live.state, [without]), journal)
        plan = draft_of(live.state, problem, arrays)
    finally:
        live.state.undo_to(journal, 0)
    draft = Draft(arrays.shop, arrays.rooms, sizes_for(arrays.shop, start=plan), 1)
    draft.load(plan)
    fill_draft(draft)
    return draft.unload()


def draft_of(state: State, problem: Problem, arrays: Compiled) -> DraftPlan:
    """The plates of a state as the search knows them. ``problem`` has the same lines, perhaps with fewer sites.

    A plate with a line that may not stand there any more, or in an orientation the search does not try, is left out:
    its lines are then missing, and placed again.
    """
    plan: DraftPlan = []
    for k, sequence in enumerate(state.sequence):
        plates = []
        for plate_id in sequence:
            plate = state.plates[plate_id]
            on = []
            counts: dict[int, int] = {}
            for line, item in plate.items.items():
                span = arrays.shop.kinds[problem.kind[line], problem.machine_class[k]]
                variant = next(
                    (
                        v
                        for v in range(int(span["first"]), int(span["last"]))
                        if arrays.choices[v].orientation == item.choice.orientation
                        and arrays.choices[v].shape.key == item.choice.shape.key
                    ),
                    -1,
                )
                if variant < 0 or not problem.possible_choices(line, k):
                    break
                on.append((line, variant, item.pieces))
                shape = int(arrays.shop.variants[variant]["shape"])
                counts[shape] = counts.get(shape, 0) + item.pieces
            else:
                if plate.coupons:
                    counts[COUPON] = plate.coupons
                plates.append((on, Contents(counts, plate.nest)))
        plan.append(plates)
    return plan
