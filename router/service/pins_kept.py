"""What pins ask of later plans: pinned builds stay as they are, and their pins go along."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection
from datetime import datetime, timedelta

from router.domain.plan import Plan
from router.planning.disturbance import same_run
from router.service.floor import Floor
from router.service.ports import Work
from router.service.records import PlanHead

_TICK = timedelta(microseconds=1)
"""The least between two moments in the store."""


def shifted(before: Plan, after: Plan, pinned: Collection[str]) -> tuple[str, ...]:
    """Pinned builds of the plan before that the plan after does not have as they were."""
    there = Counter(map(same_run, after.builds))
    return tuple(b.build_id for b in before.builds if b.build_id in pinned and not there[same_run(b)])


def carry_pins(
    work: Work, at: datetime, before_id: int, before: Plan, after_id: int, after: Plan, since: datetime | None = None
) -> None:
    """Pin in a new plan what is pinned in the one it comes of, and by whom: builds of the same lasting id.

    ``since``: only what was pinned from then on.
    """
    pins = work.pins.of(before_id, since)
    by = {b.lasting_id: pins[b.build_id] for b in before.builds if b.build_id in pins and b.lasting_id}
    work.pins.put(after_id, {b.build_id: by[b.lasting_id] for b in after.builds if b.lasting_id in by}, at)


def release_carried(
    work: Work, made: PlanHead, made_plan: Plan, live_id: int, live: Plan, plan_id: int, plan: Plan
) -> None:
    """Release in a plan about to go live what came with it as pinned and has been released since on the live plan.

    ``made``: the plan of its line that was made from a live one; its pins of that moment came along, while those set
    later are its own and stay. So do pins of builds the live plan does not have.
    """
    own = work.pins.of(made.plan_id, made.made_at + _TICK)
    there, pinned = work.pins.of(made.plan_id), work.pins.of(live_id)
    carried = {b.lasting_id for b in made_plan.builds if b.build_id in there and b.build_id not in own}
    gone = carried & {b.lasting_id for b in live.builds if b.lasting_id and b.build_id not in pinned}
    for build in plan.builds:
        if build.lasting_id in gone:
            work.pins.drop(plan_id, build.build_id)


def lost_pins(
    plan_id: int, after: Plan, before_id: int, before: Plan, pinned: Collection[str], floor: Floor
) -> list[str]:
    """Why a plan that goes on from another one cannot take its place: builds pinned there that it has otherwise.

    What has started is not asked for: a run leaves it out, and the floor holds it to its place.
    """
    begun = {key for key, build in floor.builds.items() if build.holds}
    waiting = {b.build_id for b in before.builds if b.build_id in pinned and b.lasting_id not in begun}
    return [
        f"build {name} of plan {before_id} is pinned, and plan {plan_id} does not have it as it is there"
        for name in shifted(before, after, waiting)
    ]
