"""Moving by hand, a build or a line: tried first, with the auditor's word and what it changes; kept as a new plan."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

from router.audit import audit, audit_change
from router.domain.plan import Plan
from router.domain.result import Result
from router.kernel.faults import Conflict, NotFound, Stale
from router.kernel.run import Status
from router.planning.key_figures import key_figures
from router.planning.live import LivePlan
from router.planning.moves import BY_HAND, DateChange, Moved, move_build, move_line
from router.service.builds import seen_build
from router.service.changes import noted
from router.service.desk import Desk
from router.service.floor import FloorBuild, begun_of, floor_now, play_ahead
from router.service.options import open_plan
from router.service.pins import pins_of
from router.service.pins_kept import carry_pins, shifted
from router.service.plans import NewPlan, PlanInFull, head_for, head_told, keep_plan, plan_in_full, ready_plan
from router.service.ports import Work
from router.service.receipts import Once, earlier, hold_key, keep
from router.service.records import Actor, PlanHead
from router.service.rights import Operation, require
from router.service.seen_totals import hidden_money
from router.service.visible import hidden_from, hidden_lines, hidden_names, told


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What a move would do. ``reasons`` tell why it cannot be; with findings it cannot be accepted later."""

    plan_id: int
    possible: bool
    reasons: tuple[str, ...]
    difference_cents: int | None
    """None where lines the actor is not cleared for cost otherwise too: it would tell by how much."""
    dates: tuple[DateChange, ...]
    findings: tuple[str, ...]
    checks: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TriedMove(Tried):
    """A build behind another one (None: first) on a machine."""

    build_id: str
    machine_id: str
    after_build_id: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TriedLineMove(Tried):
    """The pieces a line has on one build, onto another."""

    line_id: str
    build_id: str
    onto_build_id: str


def try_move(
    desk: Desk, actor: Actor, plan_id: int, build_id: str, machine_id: str, after_build_id: str | None
) -> TriedMove:
    """What the plan would become with the build behind another one (None: first) on a machine. Nothing is kept."""
    require(actor, Operation.MOVE_BUILD)
    tried = _try(desk, actor, plan_id, build_id, _build_goes(build_id, machine_id, after_build_id)).shown
    return TriedMove(**_fields(tried), build_id=build_id, machine_id=machine_id, after_build_id=after_build_id)


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
    note = f"{build_id} to {machine_id}, {'first' if after_build_id is None else f'after {after_build_id}'}"
    goes = _build_goes(build_id, machine_id, after_build_id)
    return _keep(desk, actor, lambda: _try(desk, actor, plan_id, build_id, goes), "move build", note, once)


def try_line_move(
    desk: Desk, actor: Actor, plan_id: int, line_id: str, build_id: str, onto_build_id: str
) -> TriedLineMove:
    """What the plan would become with a line's pieces of one build standing on another. Nothing is kept."""
    tried = _line_trial(desk, actor, plan_id, line_id, build_id, onto_build_id).shown
    return TriedLineMove(**_fields(tried), line_id=line_id, build_id=build_id, onto_build_id=onto_build_id)


def keep_line_move(
    desk: Desk,
    actor: Actor,
    plan_id: int,
    line_id: str,
    build_id: str,
    onto_build_id: str,
    once: Once | None = None,
) -> PlanHead:
    """Keep it as a proposed plan, as ``keep_move`` does."""
    require(actor, Operation.MOVE_BUILD)
    note = f"{line_id} from {build_id} to {onto_build_id}"
    return _keep(
        desk,
        actor,
        lambda: _line_trial(desk, actor, plan_id, line_id, build_id, onto_build_id),
        "move line",
        note,
        once,
        line_id,
    )


def _line_trial(desk: Desk, actor: Actor, plan_id: int, line_id: str, build_id: str, onto_build_id: str) -> _Trial:
    require(actor, Operation.MOVE_BUILD)
    _, build = seen_build(desk, actor, plan_id, build_id)
    seen_build(desk, actor, plan_id, onto_build_id)
    # Only now, and alike for both: what is wrong with the builds is said of a hidden line as of one that is not there.
    if line_id not in build.pieces_by_line() or line_id in hidden_lines(desk, actor):
        raise NotFound(f"no line {line_id[:80]!r} on build {build_id[:80]}")
    return _try(desk, actor, plan_id, build_id, lambda _, __, live: move_line(live, line_id, build_id, onto_build_id))


def _build_goes(build_id: str, machine_id: str, after_build_id: str | None) -> _Move:
    def move(full: PlanInFull, begun: Mapping[str, FloorBuild], live: LivePlan) -> Moved:
        why = _in_the_way(full, begun, build_id, machine_id, after_build_id)
        return Moved(None, why, 0, ()) if why else move_build(live, build_id, machine_id, after_build_id)

    return move


_Move = Callable[[PlanInFull, Mapping[str, FloorBuild], LivePlan], Moved]
"""A move of a plan, given what of it has started."""


@dataclass(frozen=True, slots=True)
class _Trial:
    """A move tried: what the actor is told, and what would be kept."""

    full: PlanInFull
    moved: Moved
    live: LivePlan
    shown: Tried
    findings: tuple[str, ...]


def _try(desk: Desk, actor: Actor, plan_id: int, build_id: str, move: _Move) -> _Trial:
    seen_build(desk, actor, plan_id, build_id)
    full = plan_in_full(desk, plan_id)
    opened = open_plan(desk, full)
    begun = _begun(desk, full)
    with opened.lock:
        moved = move(full, begun, opened.live)
    before = full.result.plan
    if moved.plan is not None:
        why = _would_shift(before, moved.plan, begun, pins_of(desk, plan_id))
        if why:
            moved = Moved(None, why, 0, ())
    hidden, names = hidden_lines(desk, actor), hidden_names(desk, actor)
    findings: tuple[str, ...] = ()
    checks = 0
    tells = hidden and moved.plan is not None and hidden_money(before, hidden) != hidden_money(moved.plan, hidden)
    if moved.plan is not None:
        # What a clean plan does not change need not be looked at again.
        clean = not full.findings
        report = audit_change(full.scenario, before, moved.plan) if clean else audit(full.scenario, moved.plan)
        findings, checks = tuple(f.sentence() for f in report.findings), sum(n for _, n in report.checked)
    shown = Tried(
        plan_id=plan_id,
        possible=moved.plan is not None,
        reasons=tuple(told(r, names) for r in moved.reasons),
        difference_cents=None if tells else moved.difference_cents,
        dates=tuple(d for d in moved.dates if d.line_id not in hidden),
        findings=tuple(told(f, names) for f in findings),
        checks=checks,
    )
    return _Trial(full, moved, opened.live, shown, findings)


def _would_shift(
    before: Plan, after: Plan, begun: Mapping[str, FloorBuild], pinned: Collection[str]
) -> tuple[str, ...]:
    """Started and pinned builds that a move would not leave as they are, as sentences."""
    return tuple(_stays(b, begun[b]) for b in shifted(before, after, begun)) or tuple(
        f"build {b} is pinned and would not stay as it is; release it first" for b in shifted(before, after, pinned)
    )


def _refuse_if_overtaken(work: Work, desk: Desk, full: PlanInFull, after: Plan, names: frozenset[str]) -> None:
    """What the trial rested on, looked at again in the transaction that keeps the move: plan, floor and pins.

    Raises Stale or Conflict.
    """
    work.revision.hold()  # nothing starts, is pinned or goes live until the move is kept
    seen = full.head
    now = work.plans.head(seen.plan_id)
    if now is None or now.version != seen.version:
        what = "gone" if now is None else now.standing.value
        raise Stale(f"plan {seen.plan_id} has changed since the move was tried (it is {what} now); try it again")
    begun = begun_of(floor_now(desk, work), full.result.plan)
    why = _would_shift(full.result.plan, after, begun, work.pins.of(seen.plan_id))
    if why:
        raise Conflict("; ".join(told(w, names) for w in why))


def _fields(tried: Tried) -> dict[str, Any]:
    return {f.name: getattr(tried, f.name) for f in fields(Tried)}


def _keep(
    desk: Desk,
    actor: Actor,
    tried: Callable[[], _Trial],
    operation: str,
    note: str,
    once: Once | None,
    line_id: str | None = None,
) -> PlanHead:
    with desk.store.look() as work:
        kept = _kept_before(work, actor, once)
    if kept is not None:
        return head_for(desk, actor, kept)
    trial = tried()
    full, moved = trial.full, trial.moved
    if moved.plan is None:
        raise Conflict("; ".join(trial.shown.reasons))
    plan_id = full.head.plan_id
    ready = ready_plan(
        NewPlan(
            result=_result(full, moved, trial.live),
            scenario=full.scenario,
            models=full.models,
            findings=trial.findings,
            checks=trial.shown.checks,
            book_revision=full.head.book_revision,
            currency=full.head.currency,
            how=BY_HAND,
            made_by=actor.name,
            note=note,
            parent=plan_id,
        )
    )
    play_ahead(desk)
    hidden = hidden_from(desk, actor)
    details = {"from": plan_id, "note": note} | ({"line_id": line_id} if line_id else {})
    with desk.store.begin() as work:
        hold_key(work, actor, once)
        kept = _kept_before(work, actor, once)
        if kept is not None:
            return head_told(kept, hidden)
        _refuse_if_overtaken(work, desk, full, moved.plan, hidden.names)
        now = desk.clock()  # one moment for both: pins of that moment are known as carried
        head = keep_plan(work, now, ready)
        carry_pins(work, now, plan_id, full.result.plan, head.plan_id, moved.plan)
        noted(work, desk, actor, operation, f"plan {head.plan_id}", details)
        keep(work, desk, actor, once, {"plan_id": head.plan_id})
        return head_told(head, hidden)


def _kept_before(work: Work, actor: Actor, once: Once | None) -> PlanHead | None:
    answer = earlier(work, actor, once)
    return None if answer is None else work.plans.head(int(answer["plan_id"]))


def _begun(desk: Desk, full: PlanInFull) -> dict[str, FloorBuild]:
    """Builds of the plan that have started and stand, by name."""
    with desk.store.look() as work:
        floor = floor_now(desk, work)
    return begun_of(floor, full.result.plan)


def _in_the_way(
    full: PlanInFull, begun: Mapping[str, FloorBuild], build_id: str, machine_id: str, after_build_id: str | None
) -> tuple[str, ...]:
    """What has started stays where it is, and nothing goes before it."""
    if build_id in begun:
        return (_stays(build_id, begun[build_id]),)
    builds = sorted(full.result.plan.builds, key=lambda b: b.load_start)
    queue = [b.build_id for b in builds if b.machine_id == machine_id and b.build_id != build_id]
    behind = queue[queue.index(after_build_id) + 1 :] if after_build_id in queue else queue
    if after_build_id is not None and after_build_id not in queue:
        return ()  # named wrongly, which the move itself tells
    return tuple(
        f"build {name} on {machine_id} is {begun[name].state.value}; nothing goes before it"
        for name in behind
        if name in begun
    )


def _stays(name: str, build: FloorBuild) -> str:
    return f"build {name} is {build.state.value} since {build.since:%Y-%m-%d %H:%M %Z}; it stays where it is"


def _result(full: PlanInFull, moved: Moved, live: LivePlan) -> Result:
    """The result with the moved plan in it; tables of options belong to the plan before and are left out."""
    assert moved.plan is not None
    kpis = key_figures(live.problem, moved.plan)
    bound = full.result.bound_cents
    landed = kpis.landed_cents
    gap = (landed - bound) / landed if bound is not None and full.result.gap is not None and landed else None
    return replace(
        full.result,
        plan=moved.plan,
        kpis=kpis,
        gap=gap,
        status=Status.FEASIBLE.value,
        options=(),
        trace=(),
        stop_reason=BY_HAND,
    )
