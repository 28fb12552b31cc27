"""Moving a build by hand: tried first, with the auditor's word and what it changes; kept as a new plan."""

from __future__ import annotations

from dataclasses import dataclass, replace

from router.audit import audit, audit_change
from router.domain.result import Result
from router.kernel.faults import Conflict
from router.planning.key_figures import key_figures
from router.planning.live import LivePlan
from router.planning.moves import BY_HAND, DateChange, Moved, move_build
from router.service.builds import seen_build
from router.service.changes import noted
from router.service.desk import Desk
from router.service.floor import played
from router.service.options import open_plan
from router.service.plans import NewPlan, PlanInFull, keep_plan, plan_in_full
from router.service.ports import Work
from router.service.receipts import Once, earlier, keep
from router.service.records import Actor, PlanHead
from router.service.rights import Operation, require
from router.service.visible import hidden_lines, told


@dataclass(frozen=True, slots=True)
class TriedMove:
    """What a move would do. ``reasons`` tell why it cannot be; with findings it cannot be accepted later."""

    plan_id: int
    build_id: str
    machine_id: str
    after_build_id: str | None
    possible: bool
    reasons: tuple[str, ...]
    difference_cents: int
    dates: tuple[DateChange, ...]
    findings: tuple[str, ...]
    checks: int


def try_move(
    desk: Desk, actor: Actor, plan_id: int, build_id: str, machine_id: str, after_build_id: str | None
) -> TriedMove:
    """What the plan would become with the build behind another one (None: first) on a machine. Nothing is kept."""
    require(actor, Operation.MOVE_BUILD)
    full, moved, _ = _moved(desk, actor, plan_id, build_id, machine_id, after_build_id)
    return _told(desk, actor, full, moved, build_id, machine_id, after_build_id)[0]


def keep_move(
    desk: Desk,
    actor: Actor,
    plan_id: int,
    build_id: str,
    machine_id: str,
    after_build_id: str | None,
    once: Once | None = None,
) -> PlanHead:
    """Keep the moved plan as a proposed one whose parent is the plan before; to undo, go on from the parent.

    Raises Conflict with the reasons when the move cannot be.
    """
    require(actor, Operation.MOVE_BUILD)
    with desk.store.look() as work:
        kept = _kept_before(work, actor, once)
    if kept is not None:
        return kept
    full, moved, live = _moved(desk, actor, plan_id, build_id, machine_id, after_build_id)
    tried, findings = _told(desk, actor, full, moved, build_id, machine_id, after_build_id)
    if moved.plan is None:
        raise Conflict("; ".join(tried.reasons))
    result = _result(full, moved, live)
    new = NewPlan(
        result=result,
        scenario=full.scenario,
        models=full.models,
        findings=findings,
        checks=tried.checks,
        book_revision=full.head.book_revision,
        currency=full.head.currency,
        how=BY_HAND,
        made_by=actor.name,
        note=f"{build_id} to {machine_id}, {'first' if after_build_id is None else f'after {after_build_id}'}",
        parent=plan_id,
    )
    with desk.store.begin() as work:
        kept = _kept_before(work, actor, once)
        if kept is not None:
            return kept
        head = keep_plan(work, desk.clock(), new)
        noted(work, desk, actor, "move build", f"plan {head.plan_id}", {"from": plan_id, "note": new.note})
        keep(work, desk, actor, once, {"plan_id": head.plan_id})
        return head


def _kept_before(work: Work, actor: Actor, once: Once | None) -> PlanHead | None:
    answer = earlier(work, actor, once)
    return None if answer is None else work.plans.head(int(answer["plan_id"]))


def _moved(
    desk: Desk, actor: Actor, plan_id: int, build_id: str, machine_id: str, after_build_id: str | None
) -> tuple[PlanInFull, Moved, LivePlan]:
    seen_build(desk, actor, plan_id, build_id)
    full = plan_in_full(desk, plan_id)
    opened = open_plan(desk, full)
    begun = _begun_in_the_way(desk, full, build_id, machine_id, after_build_id)
    if begun:
        return full, Moved(None, begun, 0, ()), opened.live
    with opened.lock:
        return full, move_build(opened.live, build_id, machine_id, after_build_id), opened.live


def _begun_in_the_way(
    desk: Desk, full: PlanInFull, build_id: str, machine_id: str, after_build_id: str | None
) -> tuple[str, ...]:
    """What has started stays where it is, and nothing goes before it."""
    with desk.store.look() as work:
        floor = played(work.events.all())
    builds = sorted(full.result.plan.builds, key=lambda b: b.load_start)
    begun = {b.build_id: floor.builds[b.lasting_id] for b in builds if b.lasting_id in floor.builds}
    if build_id in begun and begun[build_id].holds:
        known = begun[build_id]
        return (f"build {build_id} is {known.state.value} since {known.since:%Y-%m-%d %H:%M %Z}; it stays where it is",)
    queue = [b.build_id for b in builds if b.machine_id == machine_id and b.build_id != build_id]
    behind = queue[queue.index(after_build_id) + 1 :] if after_build_id in queue else queue
    if after_build_id is not None and after_build_id not in queue:
        return ()  # named wrongly, which the move itself tells
    return tuple(
        f"build {name} on {machine_id} is {begun[name].state.value}; nothing goes before it"
        for name in behind
        if name in begun and begun[name].holds
    )


def _told(
    desk: Desk,
    actor: Actor,
    full: PlanInFull,
    moved: Moved,
    build_id: str,
    machine_id: str,
    after_build_id: str | None,
) -> tuple[TriedMove, tuple[str, ...]]:
    hidden = hidden_lines(desk, actor)
    findings: tuple[str, ...] = ()
    checks = 0
    if moved.plan is not None:
        # What a clean plan does not change need not be looked at again.
        clean = not full.findings
        report = (
            audit_change(full.scenario, full.result.plan, moved.plan) if clean else audit(full.scenario, moved.plan)
        )
        findings, checks = tuple(f.sentence() for f in report.findings), sum(n for _, n in report.checked)
    reasons = tuple(told(r, hidden) for r in moved.reasons)
    dates = tuple(d for d in moved.dates if d.line_id not in hidden)
    tried = TriedMove(
        full.head.plan_id,
        build_id,
        machine_id,
        after_build_id,
        moved.plan is not None,
        reasons,
        moved.difference_cents,
        dates,
        tuple(told(f, hidden) for f in findings),
        checks,
    )
    return tried, findings


def _result(full: PlanInFull, moved: Moved, live: LivePlan) -> Result:
    """The result with the moved plan in it; tables of options belong to the plan before and are left out."""
    assert moved.plan is not None
    kpis = key_figures(live.problem, moved.plan)
    bound = full.result.bound_cents
    landed = kpis.landed_cents
    gap = (landed - bound) / landed if bound is not None and full.result.gap is not None and landed else None
    return replace(full.result, plan=moved.plan, kpis=kpis, gap=gap, options=(), trace=(), stop_reason=BY_HAND)
