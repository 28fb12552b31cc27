"""Builds that stay as they are: pinned and released by planners (what they ask of later plans: pins_kept)."""

from __future__ import annotations

from collections.abc import Mapping

from router.kernel.faults import Conflict
from router.service.builds import seen_build
from router.service.changes import noted
from router.service.desk import Desk
from router.service.plans import full_plan
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
        work.revision.hold()  # one pin at a time, and none while a plan goes live that has to obey it
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
