"""What a run that goes on from the live plan begins with: builds not started yet, and which of them are to stay."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from router.domain.plan import Build, Plan
from router.kernel.faults import NotFound
from router.planning.disturbance import same_plate
from router.service.desk import Desk
from router.service.floor import floor_now
from router.service.pins import pins_of
from router.service.plans import PlanInFull, live_in_full


@dataclass(frozen=True, slots=True)
class GoingOn:
    """The plan gone on from."""

    plan_id: int
    start: Plan
    """Without the builds that have started."""
    pinned: tuple[str, ...]
    """Builds that have to stay."""
    near: tuple[str, ...]
    """Builds that begin soon and stay if they can."""


def going_on(desk: Desk, moment: datetime, keep_h: float) -> GoingOn | None:
    """The live plan for a run that plans from ``moment``; None while there is none."""
    try:
        live = live_in_full(desk)
    except NotFound:
        return None
    start = not_started(desk, live)
    pins = pins_of(desk, live.head.plan_id)
    until = moment + timedelta(hours=keep_h)
    return GoingOn(
        live.head.plan_id,
        start,
        tuple(b.build_id for b in start.builds if b.build_id in pins),
        tuple(b.build_id for b in start.builds if b.build_id not in pins and _begins(b) < until),
    )


def _begins(build: Build) -> datetime:
    return build.changeover.start if build.changeover else build.load_start


def not_started(desk: Desk, plan: PlanInFull) -> Plan:
    """A plan without the builds that have started and stand."""
    with desk.store.look() as work:
        begun = {key for key, build in floor_now(desk, work).builds.items() if build.holds}
    whole = plan.result.plan
    return replace(whole, builds=tuple(b for b in whole.builds if b.lasting_id not in begun))


def with_ids_of(before: Plan, after: Plan) -> Plan:
    """The plan after with the lasting ids of builds that are as before: same machine, same pieces.

    Of several alike the one that starts nearest is taken.
    """
    ids: dict[str, str] = {}
    waiting: dict[tuple[object, ...], list[Build]] = defaultdict(list)
    for build in after.builds:
        waiting[same_plate(build)].append(build)
    for build in before.builds:
        alike = waiting[same_plate(build)]
        if alike and build.lasting_id:
            nearest = min(alike, key=lambda b: (abs(b.run_start - build.run_start), b.build_id))
            alike.remove(nearest)
            ids[nearest.build_id] = build.lasting_id
    return replace(after, builds=tuple(replace(b, lasting_id=ids.get(b.build_id, "")) for b in after.builds))
