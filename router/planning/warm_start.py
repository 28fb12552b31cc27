"""A search that begins with a plan there is: what of it still stands, loaded as a draft, and gaps filled."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from router.domain.plan import Plan
from router.kernel.faults import Conflict
from router.kernel.run import Listener
from router.kernel.seeds import child_seed
from router.planning.compiled import Compiled, compiled
from router.planning.draft_plan import as_draft_plan, offer_orientations
from router.planning.problem import Problem
from router.planning.taken_up import CannotStay, TakenUp, take_up
from router.scheduling.draft import Draft
from router.scheduling.draft import Plan as DraftPlan
from router.scheduling.search import Knobs, fill_gaps
from router.scheduling.solve import sizes_for

LITTLE_HEAT = Knobs(start_heat=Knobs().end_heat)
"""A search that begins with a good plan stays near it: hardly a dearer plan is gone through on the way."""


@dataclass(frozen=True, slots=True)
class WarmStart:
    """A plan taken up for a search."""

    arrays: Compiled
    draft: Draft
    """Lines of the book that were not in the plan have their places."""
    firm: tuple[int, ...]
    """By machine: so many builds at the front of its queue are kept."""
    must: tuple[int, ...]
    """By machine: so many of these have to be, the others if they can."""
    names: tuple[tuple[str, ...], ...]
    """By machine: what the kept builds are called in the plan, in the order of its queue."""
    left_out: tuple[str, ...]
    """What of the plan could not be taken up or kept, for people."""


def warm_start(
    problem: Problem,
    plan: Plan,
    keep: Collection[str],
    seed: int,
    keep_if_able: Collection[str] = (),
    listener: Listener | None = None,
) -> WarmStart:
    """Take a plan up, with the builds in ``keep`` as they are. Raises Conflict and NotFound as ``take_up`` does.

    Builds in ``keep_if_able`` are kept too, but for those that cannot stay and what runs behind them on their machine.
    """
    taken, let_go = _taken(problem, plan, keep, keep_if_able)
    offer_orientations(taken.state)
    arrays = compiled(problem)
    start = as_draft_plan(arrays, taken.state)
    firm = tuple(taken.state.firm)
    draft = Draft(arrays.shop, arrays.rooms, sizes_for(arrays.shop, start=start), child_seed(seed, "draft") % (1 << 31))
    gone = _load(draft, start, firm)
    names = problem.machines
    left_out = (
        let_go + taken.left_out + tuple(f"the queue of {names[k].machine_id} cannot be searched from" for k in gone)
    )
    draft.hold(firm)
    fill_gaps(draft, listener)
    fronts = [_front(plan, machine.machine_id, firm[k]) for k, machine in enumerate(names)]
    must = tuple(max((n for n, name in enumerate(front, start=1) if name in keep), default=0) for front in fronts)
    return WarmStart(arrays, draft, firm, must, tuple(fronts), left_out)


def _front(plan: Plan, machine_id: str, many: int) -> tuple[str, ...]:
    """Names of the first builds of a machine."""
    queue = sorted((b for b in plan.builds if b.machine_id == machine_id), key=lambda b: b.load_start)
    return tuple(b.build_id for b in queue[:many])


def _taken(
    problem: Problem, plan: Plan, keep: Collection[str], keep_if_able: Collection[str]
) -> tuple[TakenUp, tuple[str, ...]]:
    """The plan with as many builds kept as can stay, and what was said of those that cannot."""
    wanted = set(keep_if_able) - set(keep)
    builds = {b.build_id: b for b in plan.builds}
    let_go: list[str] = []
    while True:
        try:
            return take_up(problem, plan, (*sorted(keep), *sorted(wanted))), tuple(let_go)
        except CannotStay as stuck:
            first = builds[stuck.build_id]
            behind = {
                name
                for name in wanted
                if builds[name].machine_id == first.machine_id and builds[name].load_start >= first.load_start
            }
            if not behind:
                want = "release it, or plan from nothing"
                raise Conflict(f"build {stuck.build_id} was to stay as it is, but {stuck.why}; {want}") from stuck
            wanted -= behind
            let_go.append(f"build {stuck.build_id} and what is behind it were not kept: {stuck.why}")


def _load(draft: Draft, start: DraftPlan, firm: tuple[int, ...]) -> list[int]:
    """Load a plan; queues the search's own rules refuse (credentials with gaps) but for what is kept are left out."""
    try:
        draft.load(start)
        return []
    except ValueError:
        pass
    gone: list[int] = []
    taken: DraftPlan = [[] for _ in start]
    for k, queue in enumerate(start):
        for part in (queue, queue[: firm[k]]):
            taken[k] = part
            try:
                draft.load(taken)
                break
            except ValueError:
                if part is queue:
                    gone.append(k)
                elif firm[k]:
                    raise Conflict("builds to be kept cannot be searched around: a credential has gaps") from None
        # A queue with nothing to keep is tried empty as well, which always loads.
    return gone
