"""Plans: proposed, live, superseded. Never edited; going live takes the auditor's clean word and the seen version."""

from __future__ import annotations

import dataclasses
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

from pydantic import TypeAdapter

from router.domain.network import Scenario
from router.domain.plan import Plan
from router.domain.result import Kpis, Result
from router.formats import result_from_json, result_to_json
from router.formats.scenario_json import scenario_from_json, scenario_to_json
from router.kernel.faults import Conflict, NotFound, Stale
from router.planning.moves import BY_HAND
from router.service.changes import noted
from router.service.desk import Desk
from router.service.floor import against_floor, floor_now, play_ahead
from router.service.models import parts_of
from router.service.pins_kept import carry_pins, lost_pins, release_carried
from router.service.ports import PackedBody, PlanBody, Work
from router.service.records import Actor, PlanHead, PlanStanding
from router.service.rights import Operation, require
from router.service.seen_totals import kpis_told
from router.service.visible import Hidden, hidden_from, hidden_names, told

_READINGS = 5
"""So often the live plan is read anew when another went live meanwhile."""
NO_LIVE_PLAN = "there is no live plan yet; start a run and accept its plan"
_KPIS = TypeAdapter(Kpis)
_NOT_KEPT = datetime(1970, 1, 1, tzinfo=UTC)
"""Stands for the moment of a plan that is not kept yet."""


def kpis_as_json(kpis: Kpis) -> Mapping[str, Any]:
    """Key figures as JSON values."""
    found: Mapping[str, Any] = _KPIS.dump_python(kpis, mode="json")
    return found


def list_plans(desk: Desk, actor: Actor, limit: int = 50, before: int | None = None) -> list[PlanHead]:
    """Plans, newest first."""
    require(actor, Operation.SEE_PLANS)
    with desk.store.look() as work:
        found = work.plans.heads(desk.limits.page(limit), before)
    hidden = hidden_from(desk, actor)
    return [head_told(h, hidden) for h in found]


def head_told(head: PlanHead, hidden: Hidden) -> PlanHead:
    """A head for somebody to whom some lines are hidden: no sentence names them, no total counts them."""
    seen = replace(
        head,
        how=told(head.how, hidden.names),
        note=told(head.note, hidden.names),
        kpis=kpis_told(head.kpis, hidden.lines),
    )
    return replace(seen, bound_cents=None, gap=None) if hidden.lines else seen


def head_for(desk: Desk, actor: Actor, head: PlanHead) -> PlanHead:
    """A head as the actor may see it."""
    return head_told(head, hidden_from(desk, actor))


def get_plan(desk: Desk, actor: Actor, plan_id: int) -> PlanHead:
    """One plan without its body."""
    require(actor, Operation.SEE_PLANS)
    return head_for(desk, actor, _head(desk, plan_id))


def _head(desk: Desk, plan_id: int) -> PlanHead:
    with desk.store.look() as work:
        return _known(work, plan_id)


def _known(work: Work, plan_id: int) -> PlanHead:
    head = work.plans.head(plan_id)
    if head is None:
        raise NotFound(f"no plan {plan_id}")
    return head


@dataclass(frozen=True, slots=True)
class PlanInFull:
    """A plan with its result, the scenario it was made from and what the auditor said."""

    head: PlanHead
    result: Result
    scenario: Scenario
    models: Mapping[str, str]
    """Content (SHA-256) of each model of the scenario."""
    findings: tuple[str, ...]
    checks: int


def full_plan(desk: Desk, actor: Actor, plan_id: int) -> PlanInFull:
    """One plan in full, remembered. What the auditor said of lines the actor may not see is not repeated."""
    full = _with_body(desk, get_plan(desk, actor, plan_id))
    names = hidden_names(desk, actor)
    return replace(full, findings=tuple(told(f, names) for f in full.findings))


def plan_in_full(desk: Desk, plan_id: int) -> PlanInFull:
    """The same for work that asks in nobody's name."""
    return _with_body(desk, _head(desk, plan_id))


def _with_body(desk: Desk, head: PlanHead) -> PlanInFull:
    def make() -> PlanInFull:
        with desk.store.look() as work:
            body = work.plans.body(head.plan_id)
        assert body is not None
        kept = scenario_from_json(body.scenario_json)
        parts = parts_of(desk, kept.lines, kept.models, kept.network.overhang_deg)
        scenario = Scenario(kept.network, kept.lines, parts, kept.fingerprint)
        return PlanInFull(head, result_from_json(body.result_json), scenario, kept.models, body.findings, body.checks)

    found: PlanInFull = desk.memory.get(("plan", head.plan_id), make)
    return replace(found, head=head)


def live_plan(desk: Desk, actor: Actor) -> PlanHead | None:
    """The plan the shop works to, if there is one."""
    require(actor, Operation.SEE_PLANS)
    with desk.store.look() as work:
        head = work.plans.live()
    return None if head is None else head_for(desk, actor, head)


def live_before(desk: Desk, actor: Actor, plan_id: int) -> int | None:
    """The plan that was live until this one last went live, by the trail; None where there was none."""
    require(actor, Operation.SEE_PLANS)
    with desk.store.look() as work:
        told_of = work.trail.page(None, 100, f"plan {plan_id}")
    accepted = next((x for x in told_of if x.operation == "accept plan"), None)
    before = accepted.details.get("before") if accepted else None
    return None if before is None or before == plan_id else int(before)


def live_now(desk: Desk) -> PlanInFull | None:
    """The live plan in full, None without one. Read before a transaction that writes begins: none looks from inside,
    where others wait with a connection each and none may be left to look with.
    """
    try:
        return live_in_full(desk)
    except NotFound:
        return None


def live_in_full(desk: Desk) -> PlanInFull:
    """The live plan in full, for other use cases. Raises NotFound while there is none."""
    with desk.store.look() as work:
        head = work.plans.live()
    if head is None:
        raise NotFound(NO_LIVE_PLAN)
    return _with_body(desk, head)


@dataclass(frozen=True, slots=True)
class NewPlan:
    """What is needed to keep a plan."""

    result: Result
    scenario: Scenario
    models: Mapping[str, str]
    """Content (SHA-256) of each model."""
    findings: Sequence[str]
    checks: int
    book_revision: int
    currency: str
    how: str
    made_by: str
    note: str = ""
    parent: int | None = None
    job_id: str | None = None


@dataclass(frozen=True, slots=True)
class ReadyPlan:
    """A plan as it will be kept: its texts written and compressed before others have to wait for the transaction."""

    head: PlanHead
    """Without its number and its moment."""
    body: PackedBody


def ready_plan(new: NewPlan) -> ReadyPlan:
    """Make a plan ready to be kept as proposed. Builds that have no lasting id yet get one."""
    result = replace(new.result, plan=_with_lasting_ids(new.result.plan))
    head = PlanHead(
        plan_id=0,
        standing=PlanStanding.PROPOSED,
        book_revision=new.book_revision,
        scenario_fingerprint=result.plan.scenario_fingerprint,
        made_at=_NOT_KEPT,
        made_by=new.made_by,
        how=new.how,
        note=new.note,
        parent=new.parent,
        job_id=new.job_id,
        currency=new.currency,
        kpis=kpis_as_json(result.kpis),
        bound_cents=result.bound_cents,
        gap=result.gap,
        findings=len(new.findings),
    )
    body = PlanBody(result_to_json(result), scenario_to_json(new.scenario, new.models), tuple(new.findings), new.checks)
    return ReadyPlan(head, body.packed())


def keep_plan(work: Work, at: datetime, ready: ReadyPlan) -> PlanHead:
    """Keep a plan made at a moment, in a transaction under way."""
    return work.plans.add(replace(ready.head, made_at=at), ready.body)


def _with_lasting_ids(plan: Plan) -> Plan:
    run = uuid.uuid4().hex[:12]
    builds = (b if b.lasting_id else replace(b, lasting_id=f"{run}-{b.build_id}") for b in plan.builds)
    return replace(plan, builds=tuple(builds))


def accept(desk: Desk, actor: Actor, plan_id: int, seen_version: int) -> PlanHead:
    """Make a plan the live one; the live one before is superseded.

    Raises Conflict when the auditor found something, the plan is not proposed any more, the seen version is stale,
    moves kept on other plans would be lost, what has started on the floor is not so in the plan, or a build that is
    pinned in the live plan (perhaps only since the run began) would not stay. Pins do not bind a run from nothing.
    When another plan goes live meanwhile, that one is read and all of it is asked again beside it.
    """
    require(actor, Operation.ACCEPT_PLAN)
    plan = plan_in_full(desk, plan_id).result.plan
    for _ in range(_READINGS):
        try:
            return _accept(desk, actor, plan_id, plan, seen_version, live_now(desk))
        except _NotRead:
            continue
        except _Reasons as refused:
            raise Conflict(told(str(refused), hidden_names(desk, actor))) from refused
    raise Conflict(f"plans go live one after the other just now; look which is live, and accept plan {plan_id} again")


class _Reasons(Exception):
    """Why a plan cannot go live, with names that are not everybody's: who may read them is asked after the reading."""


class _NotRead(Exception):
    """The plan that is live is not the one that was read."""


def _accept(desk: Desk, actor: Actor, plan_id: int, plan: Plan, seen_version: int, read: PlanInFull | None) -> PlanHead:
    play_ahead(desk)
    with desk.store.begin() as work:
        work.revision.hold()  # nothing starts on the floor between the look at it and the plan going live
        head = _proposed(work, plan_id, (PlanStanding.PROPOSED, PlanStanding.SUPERSEDED))
        if head.findings:
            raise Conflict(f"plan {plan_id} breaks {head.findings} rules by the auditor's word; it cannot go live")
        before = work.plans.live()
        _refuse_unseen(head, seen_version, before)
        try:
            if before is not None and head.standing is PlanStanding.PROPOSED:
                _refuse_lost_moves(work, head, before)
                if read is None or read.head.plan_id != before.plan_id:
                    raise _NotRead
                _take_over_pins(work, desk, head, plan, before, read.result.plan)
            elif before is not None and (pinned := sorted(work.pins.of(before.plan_id))):
                names_of = ", ".join(pinned[:5]) + (f" and {len(pinned) - 5} more" if len(pinned) > 5 else "")
                raise Conflict(
                    f"builds are pinned on plan {before.plan_id}, which going back to plan {plan_id} would let go:"
                    f" {names_of}; release them first"
                )
            _refuse_what_has_started(work, desk, plan_id, plan)
        except Conflict as refused:
            raise _Reasons(str(refused)) from refused
        if before is not None:
            work.plans.stand(before.plan_id, PlanStanding.SUPERSEDED, before.version)
        live = work.plans.stand(plan_id, PlanStanding.LIVE, seen_version)
        details = {"before": before.plan_id if before else None}
        noted(work, desk, actor, "accept plan", f"plan {plan_id}", details)
    return head_for(desk, actor, live)


def _refuse_unseen(head: PlanHead, seen_version: int, live: PlanHead | None) -> None:
    """Raises Stale for a version that was not seen, with what the plan is now and what to do."""
    if head.version != seen_version:
        beside = f", and plan {live.plan_id} is live" if live is not None else ""
        raise Stale(
            f"plan {head.plan_id} has changed since (version {head.version}, seen {seen_version}): it is "
            f"{head.standing.value} now{beside}; look at both again, and accept version {head.version} if it is "
            "still to go live"
        )


def _refuse_lost_moves(work: Work, head: PlanHead, live: PlanHead) -> None:
    """A plan moved by hand goes on from the plan it was made from; going live beside another it would undo that."""
    own, its = _line_of_moves(work, head), _line_of_moves(work, live)
    if len(own) == 1 or live in own:
        return
    # Moved from the plan of a run that was never live: it takes the place of the live plan as that run's plan would.
    if all(h.standing is not PlanStanding.SUPERSEDED for h in own) and own[-1] not in its:
        return
    # A move that a planner set aside or the auditor found wrong is refused: nobody is asked to make it again.
    refused = {h.plan_id for h in own if h.standing is PlanStanding.SET_ASIDE or h.findings}
    again = "; ".join(h.note for h in reversed(own) if h.how == BY_HAND and h not in its and h.plan_id not in refused)
    lost = "; ".join(h.note for h in reversed(its) if h.how == BY_HAND and h not in own)
    raise Conflict(
        f"plan {head.plan_id} was moved from plan {head.parent}, and plan {live.plan_id} is live now"
        + (f", whose moves would be lost: {lost}" if lost else "")
        + f"; move again on plan {live.plan_id}: {again}"
    )


def _line_of_moves(work: Work, head: PlanHead) -> list[PlanHead]:
    """The plan, the one it was moved from by hand, and so on back to the plan of a run."""
    found = [head]
    while found[-1].how == BY_HAND and found[-1].parent is not None:
        found.append(_known(work, found[-1].parent))
    return found


def _take_over_pins(work: Work, desk: Desk, head: PlanHead, plan: Plan, live: PlanHead, live_plan: Plan) -> None:
    """Pins of the live plan hold in the one that takes its place, also those set since it was made; else Conflict.

    What was released since is released there too.
    """
    own = _line_of_moves(work, head)
    begun_with = own[own.index(live) - 1] if live in own else own[-1]
    if begun_with.parent is None:
        return  # a run from nothing keeps nothing, which whoever asked for it said
    lost = lost_pins(head.plan_id, plan, live.plan_id, live_plan, work.pins.of(live.plan_id), floor_now(desk, work))
    if lost:
        more = f"; and {len(lost) - 5} more" if len(lost) > 5 else ""
        raise Conflict(f"{'; '.join(lost[:5])}{more}; plan again, or release on plan {live.plan_id} what may change")
    body = None if begun_with == head else work.plans.body(begun_with.plan_id)
    begun_plan = plan if body is None else result_from_json(body.result_json).plan
    release_carried(work, begun_with, begun_plan, live.plan_id, live_plan, head.plan_id, plan)
    carry_pins(work, desk.clock(), live.plan_id, live_plan, head.plan_id, plan, since=begun_with.made_at)


def _refuse_what_has_started(work: Work, desk: Desk, plan_id: int, plan: Plan) -> None:
    floor = floor_now(desk, work)
    begun = {line_id for b in floor.builds.values() for line_id in b.pieces}
    ordered = {line_id: line.quantity for line_id, line in work.lines.several(begun).items()}
    reasons = against_floor(plan, floor, ordered)
    if reasons:
        more = f"; and {len(reasons) - 5} more" if len(reasons) > 5 else ""
        raise Conflict(f"plan {plan_id} cannot go live as the floor stands: {'; '.join(reasons[:5])}{more}; plan again")


def set_aside(desk: Desk, actor: Actor, plan_id: int, seen_version: int) -> PlanHead:
    """Say that a proposed plan will not be used."""
    require(actor, Operation.ACCEPT_PLAN)
    with desk.store.begin() as work:
        _proposed(work, plan_id, (PlanStanding.PROPOSED,))
        head = work.plans.stand(plan_id, PlanStanding.SET_ASIDE, seen_version)
        noted(work, desk, actor, "set plan aside", f"plan {plan_id}", {})
    return head_for(desk, actor, head)


def _proposed(work: Work, plan_id: int, standings: Sequence[PlanStanding]) -> PlanHead:
    head = _known(work, plan_id)
    if head.standing not in standings:
        raise Conflict(f"plan {plan_id} is {head.standing.value}, not {' or '.join(s.value for s in standings)}")
    return head


def staleness(desk: Desk, head: PlanHead) -> int:
    """How many changes of the book a plan does not know; no right is asked: whoever has its head may know."""
    with desk.store.look() as work:
        return max(0, work.revision.now() - head.book_revision)


def kpi_names() -> tuple[str, ...]:
    """Names of the key figures, in order."""
    return tuple(f.name for f in dataclasses.fields(Kpis))
