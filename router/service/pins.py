"""Builds that stay as they are: pinned and released by planners, obeyed by runs and moves, carried to later plans."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping
from datetime import datetime

from router.domain.plan import Plan
from router.kernel.faults import Conflict
from router.planning.disturbance import same_run
from router.service.builds import seen_build
from router.service.changes import noted
from router.service.desk import Desk
from router.service.plans import full_plan
from router.service.ports import Work
from router.service.records import Actor, PlanStanding
from router.service.rights import Operation, require, sites_seen

_CHANGEABLE = (PlanStanding.LIVE, PlanStanding.PROPOSED)


def pinned_builds(desk: Desk, actor: Actor, plan_id: int) -> Mapping[str, str]:
    """Pinned builds of a plan, as far as the actor may see them, and who pinned them."""
    plan = full_plan(desk, actor, plan_id)
    sites = sites_seen(actor)
    pins = pins_of(desk, plan_id)
    if sites is None or not pins:
        return pins
    machines = plan.scenario.network.machine
    at = {b.build_id: machines[b.machine_id].site_id for b in plan.result.plan.builds}
    return {build_id: by for build_id, by in pins.items() if at.get(build_id) in sites}


def pins_of(desk: Desk, plan_id: int) -> Mapping[str, str]:
    """The same for work that asks in nobody's name."""
    with desk.store.look() as work:
        return work.pins.of(plan_id)


def set_pin(desk: Desk, actor: Actor, plan_id: int, build_id: str, pinned: bool) -> None:
    """Pin or release a build of a live or proposed plan.

    A pinned build keeps machine, place, time and pieces in moves and in runs that go on from the plan. To pin what is
    pinned, or to release what is not, changes nothing. Raises NotFound for a build that is not there, Conflict for a
    plan nobody goes on from.
    """
    require(actor, Operation.MOVE_BUILD)
    seen_build(desk, actor, plan_id, build_id)
    with desk.store.begin() as work:
        head = work.plans.head(plan_id)
        assert head is not None  # it was there a moment ago, and plans are never taken away
        if head.standing not in _CHANGEABLE:
            want = " or ".join(s.value for s in _CHANGEABLE)
            raise Conflict(f"plan {plan_id} is {head.standing.value}; builds are pinned on a plan that is {want}")
        before = work.pins.of(plan_id)
        if pinned == (build_id in before):
            return
        if pinned:
            work.pins.put(plan_id, {build_id: actor.name}, desk.clock())
        else:
            work.pins.drop(plan_id, build_id)
        noted(work, desk, actor, "pin build" if pinned else "release build", build_id, {"plan_id": plan_id})


def shifted(before: Plan, after: Plan, pinned: Collection[str]) -> tuple[str, ...]:
    """Pinned builds of the plan before that the plan after does not have as they were."""
    there = Counter(map(same_run, after.builds))
    return tuple(b.build_id for b in before.builds if b.build_id in pinned and not there[same_run(b)])


def carry_pins(work: Work, at: datetime, before_id: int, before: Plan, after_id: int, after: Plan) -> None:
    """Pin in a new plan what is pinned in the one it comes of, and by whom: builds of the same lasting id."""
    pins = work.pins.of(before_id)
    by = {b.lasting_id: pins[b.build_id] for b in before.builds if b.build_id in pins and b.lasting_id}
    work.pins.put(after_id, {b.build_id: by[b.lasting_id] for b in after.builds if b.lasting_id in by}, at)
