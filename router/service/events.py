"""What happened on the floor: facts, added once, that the next plan starts from."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Any

from router.domain.network import Network
from router.domain.plan import Build
from router.kernel.faults import Conflict, Fault, FaultyInput, NotFound
from router.service.changes import book_changed
from router.service.desk import Desk
from router.service.network import NO_NETWORK, reading_of
from router.service.paging import filled
from router.service.plans import NO_LIVE_PLAN, live_in_full
from router.service.ports import Work
from router.service.receipts import Once, earlier, keep
from router.service.records import Actor, EventKind, EventRecord
from router.service.rights import Operation, require, sites_seen
from router.service.visible import hidden_lines

_AHEAD = timedelta(minutes=10)
"""Clocks differ: so far ahead of ours an event may lie."""
_AFTER: Mapping[EventKind, tuple[EventKind | None, ...]] = {
    EventKind.BUILD_STARTED: (None, EventKind.BUILD_FAILED),
    EventKind.BUILD_FINISHED: (EventKind.BUILD_STARTED, EventKind.PIECES_SCRAPPED),
    EventKind.BUILD_FAILED: (EventKind.BUILD_STARTED, EventKind.PIECES_SCRAPPED),
    EventKind.PIECES_SCRAPPED: (EventKind.BUILD_STARTED, EventKind.BUILD_FINISHED, EventKind.PIECES_SCRAPPED),
}
"""What may be the last recorded event of a build before another kind."""
_OF_BUILDS = (EventKind.BUILD_STARTED, EventKind.BUILD_FINISHED, EventKind.BUILD_FAILED, EventKind.PIECES_SCRAPPED)


def record_event(
    desk: Desk,
    actor: Actor,
    kind: EventKind,
    subject: str,
    occurred_at: datetime,
    details: Mapping[str, Any] | None = None,
    once: Once | None = None,
) -> EventRecord:
    """Add a fact about a build of the live plan or a machine of the network.

    ``details``: ``until`` (ISO time) for a machine that is down, ``pieces`` (line: number) scrapped, ``note``.
    Raises FaultyInput, NotFound for a subject that is not there, Conflict for what cannot follow what is recorded.
    """
    told = dict(details or {})
    _check_time(desk, occurred_at)
    plan_id, builds = _live_builds(desk)
    with desk.store.begin() as work:
        answer = earlier(work, actor, once)
        if answer is not None:
            found = [e for e in work.events.about(str(answer["subject"])) if e.event_id == answer["event_id"]]
            return found[0]
        site_id, told = _checked(work, desk, kind, subject, occurred_at, told, plan_id, builds)
        require(actor, Operation.RECORD_EVENT, site_id)
        event = EventRecord(0, kind, occurred_at, desk.clock(), actor.name, site_id, subject, told)
        event = work.events.add(event)
        book_changed(work, desk, actor, kind.value, subject, {"occurred_at": occurred_at.isoformat()})
        keep(work, desk, actor, once, {"event_id": event.event_id, "subject": subject})
        return event


def list_events(desk: Desk, actor: Actor, after: int = 0, limit: int = 100) -> list[EventRecord]:
    """Events in the order they were recorded, as far as the actor may see them."""
    shown = _shown_to(desk, actor)
    with desk.store.look() as work:
        return filled(work.events.page, after, lambda event: event.event_id, shown, desk.limits.page(limit))


def events_about(desk: Desk, actor: Actor, subject: str) -> list[EventRecord]:
    """Everything recorded about one build or machine, oldest first, as far as the actor may see it."""
    shown = _shown_to(desk, actor)
    with desk.store.look() as work:
        return [event for event in work.events.about(subject) if shown(event)]


def _shown_to(desk: Desk, actor: Actor) -> Callable[[EventRecord], bool]:
    require(actor, Operation.SEE_FLOOR)
    sites = sites_seen(actor)
    hidden = hidden_lines(desk, actor)

    def shown(event: EventRecord) -> bool:
        return (sites is None or event.site_id in sites) and not hidden & set(event.details.get("pieces", {}))

    return shown


def _check_time(desk: Desk, occurred_at: datetime) -> None:
    if occurred_at.tzinfo is None:
        raise FaultyInput([Fault("", "", "occurred_at", occurred_at.isoformat(), "a time with its zone")])
    # In demonstrations the plan's moment lies apart from the clock; then only the order of events counts.
    if desk.plans_from_now and occurred_at > desk.clock() + _AHEAD:
        raise FaultyInput([Fault("", "", "occurred_at", occurred_at.isoformat(), "a time that has passed")])


def _live_builds(desk: Desk) -> tuple[int | None, Mapping[str, Build]]:
    try:
        live = live_in_full(desk)
    except NotFound:
        return None, {}
    return live.head.plan_id, {b.build_id: b for b in live.result.plan.builds}


def _checked(
    work: Work,
    desk: Desk,
    kind: EventKind,
    subject: str,
    occurred_at: datetime,
    told: dict[str, Any],
    plan_id: int | None,
    builds: Mapping[str, Build],
) -> tuple[str | None, dict[str, Any]]:
    """The site of the event and its details, completed."""
    record = work.networks.latest()
    if record is None:
        raise NotFound(NO_NETWORK)
    network = reading_of(desk, record).network
    assert network is not None
    kept: dict[str, Any] = {k: str(told[k])[:500] for k in ("note",) if k in told}
    if kind in (EventKind.MACHINE_DOWN, EventKind.MACHINE_UP):
        if subject not in network.machine:
            raise NotFound(f"no machine {subject!r} in the network")
        if told.get("until"):
            kept["until"] = _time(told["until"], occurred_at)
        return network.machine[subject].site_id, kept
    if kind is EventKind.SHIPMENT_SENT:
        return None, kept
    before = [e for e in work.events.about(subject) if e.kind in _OF_BUILDS]
    last = before[-1] if before else None
    running = next((e for e in reversed(before) if e.kind is EventKind.BUILD_STARTED), None)
    if kind is EventKind.BUILD_STARTED:
        # A build of an earlier plan by this name is another build.
        last = last if last is not None and last.details.get("plan_id") == plan_id else None
        build = builds.get(subject)
        if build is None:
            raise NotFound(f"no build {subject!r} in the live plan" if builds else NO_LIVE_PLAN)
        facts = _facts_of(build, network, occurred_at)
    else:
        # A running build goes on when a new plan goes live; its own start tells what it is.
        facts = {k: v for k, v in running.details.items() if k != "note"} if running else {}
    if (last.kind if last else None) not in _AFTER[kind]:
        raise Conflict(f"build {subject}: {kind.value} cannot follow {last.kind.value if last else 'nothing'}")
    if last is not None and occurred_at < last.occurred_at:
        want = f"a time not before {last.occurred_at.isoformat()} ({last.kind.value})"
        raise FaultyInput([Fault("", subject, "occurred_at", occurred_at.isoformat(), want)])
    kept |= facts
    if kind is EventKind.BUILD_STARTED:
        kept["plan_id"] = plan_id
    if kind is EventKind.PIECES_SCRAPPED:
        left = Counter({line: int(n) for line, n in facts["pieces"].items()})
        for earlier_event in before[before.index(running) :] if running else ():
            if earlier_event.kind is EventKind.PIECES_SCRAPPED:
                left.subtract(earlier_event.details["pieces"])
        kept["pieces"] = _scrapped(subject, told.get("pieces"), left)
    return network.machine[str(kept["machine_id"])].site_id, kept


def _facts_of(build: Build, network: Network, started_at: datetime) -> dict[str, Any]:
    """What the next plan has to know of a build that has started."""
    free_at = started_at + (build.unload_end - build.load_start)
    return {
        "machine_id": build.machine_id,
        "alloy_id": network.parameter_set[build.parameter_set_id].alloy_id,
        "pieces": dict(build.pieces_by_line()),
        "free_at": free_at.isoformat(),
    }


def _time(text: object, after: datetime) -> str:
    moment: datetime | None
    try:
        moment = datetime.fromisoformat(str(text))
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None or moment <= after:
        raise FaultyInput([Fault("", "", "until", f"'{text}'", "a time with its zone, after the event")])
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
