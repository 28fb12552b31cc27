"""What happened on the floor: facts, added once, that the next plan starts from; and taking back what is not so."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from router.domain.network import Network
from router.domain.plan import Build, Shipment
from router.kernel.faults import Conflict, Fault, FaultyInput, NotFound, Refused
from router.service.changes import book_changed
from router.service.desk import Desk
from router.service.floor import OF_BUILDS, OF_MACHINES, Floor, FloorBuild, floor_now, new_misfits, played, withdraws
from router.service.network import network_there
from router.service.paging import filled
from router.service.plans import NO_LIVE_PLAN, PlanInFull, live_now, plan_in_full
from router.service.ports import Work
from router.service.receipts import Once, earlier, keep, settled
from router.service.records import Actor, EventKind, EventRecord
from router.service.rights import Operation, decide, require, sites_seen
from router.service.said import said
from router.service.visible import RESTRICTED, Hidden, hidden_from, names_any, values_told

_AHEAD = timedelta(minutes=10)
"""Clocks differ: so far ahead of ours an event may lie."""
_STEP = timedelta(days=31)
"""How far one event may carry a demonstration on: there events move the moment the next plan starts from."""
_BACK = timedelta(days=90)
"""How late a fact may be recorded (common practice, no source)."""
_LONGEST_DOWN = timedelta(days=366)
"""A machine that is away for longer belongs out of the network (common practice, no source)."""
LEFT_OUT = "pieces under export control; whoever recorded this is not cleared for them, a cleared person tells of them"
"""Said with scrap recorded by somebody who could not tell of every piece on the build."""
_READINGS = 5
"""How often the plans are read anew when one goes live just while an event is kept."""
_LAST = 2**62
"""Stands for the number of an event not yet kept: of several at one moment it is the last."""


def record_event(
    desk: Desk,
    actor: Actor,
    kind: EventKind,
    subject: str,
    occurred_at: datetime,
    details: Mapping[str, Any] | None = None,
    once: Once | None = None,
) -> EventRecord:
    """Add a fact about a build, a machine of the network or a shipment.

    A build is named as in the live plan or by its lasting id; one that runs is still known by the name it started
    under. ``details``: ``until`` (ISO time) for a machine that is down, ``pieces`` (line: number) scrapped, ``note``.
    Raises FaultyInput, NotFound for a subject that is not there, Conflict for what cannot be beside what is recorded
    (service.floor).
    """
    require(actor, Operation.RECORD_EVENT)
    if kind is EventKind.EVENT_WITHDRAWN:
        raise FaultyInput([Fault("", subject, "kind", kind.value, "a fact; events are withdrawn by their number")])
    hidden = hidden_from(desk, actor)
    for _ in range(_READINGS):
        try:
            return _record(desk, actor, kind, subject, occurred_at, details, once, hidden, _plans(desk, kind))
        except _NotRead:
            continue
    raise Conflict("plans go live one after the other just now; record it again")


def _record(
    desk: Desk,
    actor: Actor,
    kind: EventKind,
    subject: str,
    occurred_at: datetime,
    details: Mapping[str, Any] | None,
    once: Once | None,
    hidden: Hidden,
    plans: _Plans,
) -> EventRecord:
    def judged(work: Work) -> EventRecord:
        live = plans.still_live(work)
        before, network = floor_now(desk, work), network_there(work, desk).network
        about = _about(hidden.lines, kind, subject, network, live, before, plans)
        require(actor, Operation.RECORD_EVENT, about.site_id)
        _check_time(desk, network, before, occurred_at)
        told = _told(kind, occurred_at, dict(details or {}), about, hidden.lines)
        event = EventRecord(
            _LAST, kind, occurred_at, desk.clock(), actor.name, about.site_id, about.name, told, about.lasting_id
        )
        for misfit in new_misfits(before, played([*work.events.all(), event])):
            if misfit.event is event:
                raise Conflict(misfit.why)
            raise Conflict(f"{kind.value} of {about.name} cannot be: event {misfit.event.event_id} says {misfit.why}")
        return event

    event = _added(desk, actor, judged, once, {"occurred_at": occurred_at.isoformat()})
    return _masked(event, hidden_from(desk, actor))


def _added(
    desk: Desk, actor: Actor, judged: Callable[[Work], EventRecord], once: Once | None, noted: Mapping[str, Any]
) -> EventRecord:
    """Keep the event that ``judged`` makes, as long as nothing has come between; the same request gets it again.

    It plays all that ever happened, so it is asked before others have to wait for the transaction, and once more in it
    only where floor, network or live plan are not those it saw any more.
    """
    with desk.store.look() as work:
        answer = earlier(work, actor, once)
        if answer is not None:
            return _kept(work, answer)
        seen, event = _rests_on(work), judged(work)
    with desk.store.begin() as work:
        answer = settled(work, actor, once)
        if answer is not None:
            return _kept(work, answer)
        work.revision.hold()  # what is checked against must not change before the event is kept
        if _rests_on(work) != seen:
            event = judged(work)
        event = work.events.add(replace(event, recorded_at=desk.clock()))
        book_changed(work, desk, actor, event.kind.value, event.subject, noted)
        keep(work, desk, actor, once, {"event_id": event.event_id})
        return event


def _rests_on(work: Work) -> tuple[object, ...]:
    """What an event is judged by, as short as it can be told."""
    return work.events.last_id(), work.networks.head(), work.plans.live()


def withdraw_event(desk: Desk, actor: Actor, event_id: int, why: str, once: Once | None = None) -> EventRecord:
    """Say that an earlier event is not so. Both stay on record; plans to come start as if it had never been recorded.

    Raises NotFound, FaultyInput without a reason, Conflict when it is withdrawn already or later events rest on it, and
    Refused for scrap of pieces the actor is not cleared for. What is said of a whole build (started, finished, failed)
    is said of hidden pieces too; the answer shows them under one name.
    """
    require(actor, Operation.RECORD_EVENT)
    why = said(why, f"event {event_id}", "why", "the reason, in a few words")
    shown, hidden = _shown_to(desk, actor), hidden_from(desk, actor)

    def judged(work: Work) -> EventRecord:
        wrong = work.events.get(event_id)
        if wrong is None or not shown(wrong):
            raise NotFound(f"no event {event_id}")
        require(actor, Operation.RECORD_EVENT, wrong.site_id)
        if wrong.kind is EventKind.EVENT_WITHDRAWN:
            raise Conflict(f"event {event_id} withdraws another and stays; record the fact anew")
        if wrong.kind is EventKind.PIECES_SCRAPPED and hidden.lines & set(wrong.details["pieces"]):
            raise Refused(
                f"event {event_id} tells of pieces you are not cleared for too, which would count as sound again; "
                "a cleared person has to withdraw it"
            )
        events = work.events.all()
        if any(withdraws(e) == event_id for e in events):
            raise Conflict(f"event {event_id} is withdrawn already")
        told = {"withdraws": event_id, "why": why}
        if "pieces" in wrong.details:
            told["pieces"] = wrong.details["pieces"]
        now = desk.clock()
        event = EventRecord(
            _LAST, EventKind.EVENT_WITHDRAWN, now, now, actor.name, wrong.site_id, wrong.subject, told, wrong.lasting_id
        )
        resting = new_misfits(floor_now(desk, work), played([*events, event]))
        if resting:
            named = ", ".join(f"{m.event.event_id} ({m.event.kind.value})" for m in resting[:5])
            raise Conflict(f"event {event_id} cannot be withdrawn, others rest on it: {named}; withdraw those first")
        return event

    return _masked(_added(desk, actor, judged, once, {"event": event_id, "why": why}), hidden_from(desk, actor))


def list_events(desk: Desk, actor: Actor, after: int = 0, limit: int = 100) -> list[EventRecord]:
    """Events in the order they were recorded, as far as the actor may see them."""
    require(actor, Operation.SEE_FLOOR)

    def read(place: int, many: int) -> list[EventRecord]:
        with desk.store.look() as work:
            return work.events.page(place, many)

    return filled(
        read, after, lambda event: event.event_id, lambda x: _told_to(desk, actor, x), desk.limits.page(limit)
    )


@dataclass(frozen=True, slots=True)
class Recorded:
    """An event as a page lists it."""

    event: EventRecord
    withdrawn: bool
    may_withdraw: bool
    """Whether the reader may say that it is not so, as far as rights go."""


def latest_events(desk: Desk, actor: Actor, before: int | None = None, limit: int = 100) -> list[Recorded]:
    """Events of builds, machines and shipments, newest recorded first, as far as the actor may see them."""
    require(actor, Operation.SEE_FLOOR)

    def read(place: int | None, many: int) -> list[EventRecord]:
        with desk.store.look() as work:
            return work.events.latest(place, many)

    found = filled(
        read, before, lambda event: event.event_id, lambda x: _told_to(desk, actor, x), desk.limits.page(limit)
    )
    with desk.store.look() as work:
        withdrawn = {withdraws(e) for e in work.events.withdrawals(found[-1].event_id if found else 0)}
    return [
        Recorded(
            e,
            e.event_id in withdrawn,
            e.event_id not in withdrawn
            and e.kind is not EventKind.EVENT_WITHDRAWN
            and decide(actor, Operation.RECORD_EVENT, e.site_id).allowed,
        )
        for e in found
    ]


def events_of_build(desk: Desk, actor: Actor, lasting_id: str) -> list[EventRecord]:
    """Everything recorded of one build under whatever plan, oldest first, as far as the actor may see it."""
    require(actor, Operation.SEE_FLOOR)
    with desk.store.look() as work:
        found = work.events.of_build(lasting_id)
    return _told_to(desk, actor, found)


def _told_to(desk: Desk, actor: Actor, events: Sequence[EventRecord]) -> list[EventRecord]:
    """Those of events, read before, that the actor may see, as they may read them."""
    shown, hidden = _shown_to(desk, actor), hidden_from(desk, actor)
    return [_masked(event, hidden) for event in events if shown(event)]


def _shown_to(desk: Desk, actor: Actor) -> Callable[[EventRecord], bool]:
    sites = sites_seen(actor)
    hidden = hidden_from(desk, actor)

    def shown(event: EventRecord) -> bool:
        # A build is there for everybody, its hidden pieces under another name; a shipment is of one line.
        secret = event.lasting_id is None and hidden.lines & set(event.details.get("pieces", {}))
        seen = sites is None or event.site_id in sites
        return seen and not secret and not names_any(event.subject, hidden.names)

    return shown


def _masked(event: EventRecord, hidden: Hidden) -> EventRecord:
    """The event with pieces of lines the actor may not see under one name, as their builds show them."""
    pieces: Counter[str] = Counter()
    for line_id, number in event.details.get("pieces", {}).items():
        pieces[RESTRICTED if line_id in hidden.lines else line_id] += int(number)
    details = values_told({k: v for k, v in event.details.items() if k != "pieces"}, hidden.names)
    return replace(event, details=details | ({"pieces": dict(pieces)} if pieces else {}))


def _kept(work: Work, answer: Mapping[str, Any]) -> EventRecord:
    found = work.events.get(int(answer["event_id"]))
    assert found is not None  # events are never taken away
    return found


class _NotRead(Exception):
    """A plan has become part of the answer since the plans were read."""


@dataclass(frozen=True, slots=True)
class _Plans:
    """Plans an event may be about, read before the transaction that keeps it: it must not look from inside."""

    live: PlanInFull | None
    earlier: Mapping[int, PlanInFull]

    def still_live(self, work: Work) -> PlanInFull | None:
        """The live plan. Raises _NotRead for one that has gone live since."""
        head = work.plans.live()
        if head is None:
            return None
        if self.live is None or self.live.head.plan_id != head.plan_id:
            raise _NotRead
        return self.live

    def under(self, plan_id: int) -> PlanInFull:
        """An earlier one. Raises _NotRead."""
        if plan_id not in self.earlier:
            raise _NotRead
        return self.earlier[plan_id]


def _plans(desk: Desk, kind: EventKind) -> _Plans:
    live = live_now(desk)
    if kind in OF_MACHINES or kind in OF_BUILDS:
        return _Plans(live, {})
    with desk.store.look() as work:
        floor = floor_now(desk, work)
    return _Plans(live, {n: plan_in_full(desk, n) for n in _begun_under(floor)})


def _begun_under(floor: Floor) -> list[int]:
    """Plans under which builds that stand have started, newest first."""
    return sorted({b.plan_id for b in floor.builds.values() if b.holds and b.plan_id is not None}, reverse=True)


@dataclass(frozen=True, slots=True)
class _About:
    """What an event is about."""

    name: str
    site_id: str | None
    lasting_id: str | None = None
    planned: Build | None = None
    """The build of the live plan that starts."""
    plan: PlanInFull | None = None
    begun: FloorBuild | None = None
    """The build that has started."""
    shipment: Shipment | None = None
    builds: tuple[str, ...] = field(default=())
    """Lasting ids of the builds whose pieces are in the shipment."""


def _about(
    hidden: Collection[str],
    kind: EventKind,
    subject: str,
    network: Network,
    live: PlanInFull | None,
    floor: Floor,
    plans: _Plans,
) -> _About:
    if kind in OF_MACHINES:
        if subject not in network.machine:
            raise NotFound(f"no machine {subject!r} in the network")
        return _About(subject, network.machine[subject].site_id)
    if kind in OF_BUILDS:
        return _build(kind, subject, live, floor)
    return _shipment(hidden, subject, live, floor, plans)


def _build(kind: EventKind, subject: str, live: PlanInFull | None, floor: Floor) -> _About:
    builds = live.result.plan.builds if live else ()
    planned = next((b for b in builds if subject in (b.lasting_id, b.build_id)), None)
    begun = floor.builds.get(planned.lasting_id if planned else subject) or floor.builds.get(subject)
    if begun is None and kind is not EventKind.BUILD_STARTED:
        # It goes on when a new plan goes live: still known by the name under which it started, the latest of that name.
        named = [b for b in floor.builds.values() if b.name == subject]
        begun = max(named, key=lambda b: b.since, default=None)
    if begun is not None and kind is not EventKind.BUILD_STARTED:
        return _About(begun.name, begun.site_id, begun.lasting_id, begun=begun)
    if planned is None or live is None:
        raise NotFound(f"no build {subject!r} in the live plan" if live else NO_LIVE_PLAN)
    site_id = live.scenario.network.machine[planned.machine_id].site_id
    return _About(planned.build_id, site_id, planned.lasting_id, planned=planned, plan=live)


def _shipment(hidden: Collection[str], subject: str, live: PlanInFull | None, floor: Floor, plans: _Plans) -> _About:
    """A shipment of the live plan; else of an earlier one whose builds started under it and went on."""
    earlier_plans = [plans.under(n) for n in _begun_under(floor) if live is None or n != live.head.plan_id]
    for plan in ([live] if live else []) + earlier_plans:
        found = next((s for s in plan.result.plan.shipments if s.shipment_id == subject), None)
        if found is None or found.line_id in hidden:
            continue
        lasting = {b.build_id: b.lasting_id for b in plan.result.plan.builds}
        builds = tuple(lasting[name] for name in found.build_ids)
        if plan is live or all(b in floor.builds and floor.builds[b].holds for b in builds):
            return _About(subject, found.site_id, shipment=found, builds=builds)
    raise NotFound(f"no shipment {subject!r} in the live plan" if live else NO_LIVE_PLAN)


def moment_now(desk: Desk, network: Network, floor: Floor) -> datetime:
    """The moment events are recorded at.

    In demonstrations it lies apart from the clock, and events move it.
    """
    if desk.by_the_clock(network):
        return desk.clock()
    return max(m for m in (network.now, floor.latest) if m is not None)


def _check_time(desk: Desk, network: Network, floor: Floor, occurred_at: datetime) -> None:
    if occurred_at.tzinfo is None:
        raise FaultyInput([Fault("", "", "occurred_at", occurred_at.isoformat(), "a time with its zone")])
    now = moment_now(desk, network, floor)
    ahead, clock = (_AHEAD, "the clock") if desk.by_the_clock(network) else (_STEP, "the plan's moment")
    if not now - _BACK <= occurred_at <= now + ahead:
        most = "10 minutes" if desk.by_the_clock(network) else f"{_STEP.days} days"
        want = (
            f"a time between {now - _BACK:%Y-%m-%d %H:%M %Z} and {now + ahead:%Y-%m-%d %H:%M %Z} "
            f"({_BACK.days} days before {clock} to {most} after it)"
        )
        raise FaultyInput([Fault("", "", "occurred_at", occurred_at.isoformat(), want)])


def _told(
    kind: EventKind, occurred_at: datetime, given: dict[str, Any], about: _About, hidden: Collection[str]
) -> dict[str, Any]:
    """The details of an event: what was given, checked, and what the next plan has to know."""
    told: dict[str, Any] = {k: said(str(given[k]), about.name, k) for k in ("note",) if k in given}
    if kind is EventKind.MACHINE_DOWN and given.get("until"):
        told["until"] = _until(given["until"], occurred_at)
    if about.shipment is not None:
        told |= {"pieces": {about.shipment.line_id: about.shipment.pieces}, "builds": list(about.builds)}
    if about.planned is not None and about.plan is not None:
        told |= _facts_of(about.planned, about.plan, occurred_at)
    if about.begun is not None:
        told |= {"machine_id": about.begun.machine_id, "pieces": dict(about.begun.pieces)}
    if kind is EventKind.PIECES_SCRAPPED and about.begun is not None:
        # A line the actor may not see is for them not on the plate: a cleared person tells of its pieces.
        seen = {line: number for line, number in about.begun.pieces.items() if line not in hidden}
        if not about.begun.pieces:
            raise FaultyInput([Fault("", about.name, "pieces", "no sound piece", "a build with pieces left to scrap")])
        if not seen:
            raise Refused(
                f"build {about.name} carries only pieces you are not cleared for; a cleared person tells of them"
            )
        told["pieces"] = _scrapped(about.name, given.get("pieces"), seen)
        if len(seen) < len(about.begun.pieces):
            told["left_as_they_were"] = LEFT_OUT
    return told


def _facts_of(build: Build, plan: PlanInFull, started_at: datetime) -> dict[str, Any]:
    """What the next plan has to know of a build that has started."""
    free_at = started_at + (build.unload_end - build.load_start)
    return {
        "plan_id": plan.head.plan_id,
        "machine_id": build.machine_id,
        "alloy_id": plan.scenario.network.parameter_set[build.parameter_set_id].alloy_id,
        "pieces": dict(build.pieces_by_line()),
        "free_at": free_at.isoformat(),
        "planned_start": build.load_start.isoformat(),
    }


def _until(text: object, after: datetime) -> str:
    moment: datetime | None
    try:
        moment = datetime.fromisoformat(str(text))
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None or not after < moment <= after + _LONGEST_DOWN:
        want = f"a time with its zone, after the event and at most {_LONGEST_DOWN.days} days after it"
        raise FaultyInput([Fault("", "", "until", f"'{text}'", want)])
    return moment.isoformat()


def _scrapped(subject: str, pieces: object, on_plate: Mapping[str, int]) -> dict[str, int]:
    want = f"pieces as line: number, of {', '.join(sorted(on_plate)[:8])}"
    if not isinstance(pieces, Mapping) or not pieces:
        raise FaultyInput([Fault("", subject, "pieces", "nothing that can be read", want)])
    found: dict[str, int] = {}
    for line_id, number in pieces.items():
        whole = isinstance(number, int) and not isinstance(number, bool)
        if line_id not in on_plate or not whole or not 1 <= number <= on_plate[line_id]:
            raise FaultyInput([Fault("", subject, "pieces", f"{line_id}: {number}", want)])
        found[line_id] = number
    return found
