"""The order book: looking at it, and what a planner decides about a line."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime

from router.formats.wording import found as found_text
from router.kernel.faults import Conflict, Fault, FaultyInput, NotFound, Stale
from router.service.cells import column_faults, read_one, record_of
from router.service.changes import book_changed
from router.service.desk import Desk
from router.service.former_names import remember_names
from router.service.models import mark_models, models_shown
from router.service.names import alloy_faults, site_faults
from router.service.network import newest_network
from router.service.ports import SORTS, LineFilter, Work
from router.service.records import Actor, LineRecord, LineStanding
from router.service.rights import Operation, decide, may_see_code, require
from router.service.said import said
from router.service.visible import hidden_from, hidden_names, told


@dataclass(frozen=True, slots=True)
class LinePage:
    """Some lines, how many there are in all, and where the next page begins."""

    lines: tuple[LineRecord, ...]
    total: int
    next_after: tuple[str, str] | None
    partial: bool = False
    """Whether the book holds lines the actor is not cleared for, whatever was filtered; told to whoever plans only."""


def list_lines(
    desk: Desk,
    actor: Actor,
    wanted: LineFilter | None = None,
    sort: str = "due_date",
    descending: bool = False,
    after: tuple[str, str] | None = None,
    limit: int = 100,
) -> LinePage:
    """A page of the lines the actor may see. Raises FaultyInput for a sort that is not one of ports.SORTS."""
    require(actor, Operation.SEE_BOOK)
    if sort not in SORTS:
        raise FaultyInput([Fault("", "", "sort", f"'{sort}'", f"one of {', '.join(SORTS)}")])
    faults = site_faults(desk, "filter", "site", [wanted.pinned_site] if wanted else [])
    faults += alloy_faults(desk, "filter", "alloy", [wanted.alloy_id] if wanted else [])
    if faults:
        raise FaultyInput(faults)
    wanted = replace(wanted or LineFilter(), codes=actor.person.cleared_codes)
    limit = desk.limits.page(limit)
    with desk.store.look() as work:
        found = work.lines.page(wanted, sort, descending, after, limit + 1)
        total = work.lines.count(wanted)
    more = len(found) > limit
    hidden = hidden_from(desk, actor)
    found = [_told(x, hidden.names) for x in found[:limit]]
    partial = bool(hidden.lines) and decide(actor, Operation.CHANGE_BOOK).allowed
    return LinePage(tuple(found), total, (_cursor(found[-1], sort), found[-1].line_id) if more else None, partial)


def _cursor(line: LineRecord, sort: str) -> str:
    value = getattr(line, sort)
    return value.isoformat() if isinstance(value, date | datetime) else str(value)


def get_line(desk: Desk, actor: Actor, line_id: str) -> LineRecord:
    """One line. A line the actor is not cleared for is not there for them."""
    require(actor, Operation.SEE_BOOK)
    with desk.store.look() as work:
        line = _seen(work, actor, line_id)
    return _told(line, hidden_names(desk, actor))


def _told(line: LineRecord, names: frozenset[str]) -> LineRecord:
    return replace(line, why_held=told(line.why_held, names)) if line.why_held else line


def _seen(work: Work, actor: Actor, line_id: str) -> LineRecord:
    line = work.lines.get(line_id)
    if line is None or not may_see_code(actor, line.export_control):
        raise NotFound(f"no line {line_id!r} in the book")
    return line


def hold(desk: Desk, actor: Actor, line_id: str, why: str, seen_version: int) -> LineRecord:
    """Leave the line out of plans until it is released. Raises FaultyInput without a reason."""
    require(actor, Operation.CHANGE_BOOK)
    reason = said(why, line_id, "why", "why the line is held, in a few words")

    def held(line: LineRecord) -> LineRecord:
        _only(line, LineStanding.OPEN, "held")
        return replace(line, standing=LineStanding.HELD, why_held=reason)

    return _decide(desk, actor, line_id, seen_version, "hold", held, {"why": reason})


def release(desk: Desk, actor: Actor, line_id: str, seen_version: int) -> LineRecord:
    """Put a held line back into plans."""

    def released(line: LineRecord) -> LineRecord:
        _only(line, LineStanding.HELD, "released")
        return replace(line, standing=LineStanding.OPEN, why_held="")

    return _decide(desk, actor, line_id, seen_version, "release", released, {})


def withdraw(desk: Desk, actor: Actor, line_id: str, why: str, seen_version: int) -> LineRecord:
    """The customer cancels the line. It stays on record. Raises FaultyInput without a reason."""
    require(actor, Operation.CHANGE_BOOK)
    reason = said(why, line_id, "why", "why the line is withdrawn, in a few words")

    def withdrawn(line: LineRecord) -> LineRecord:
        _not_closed(line)
        return replace(line, standing=LineStanding.WITHDRAWN, why_held=reason)

    return _decide(desk, actor, line_id, seen_version, "withdraw", withdrawn, {"why": reason})


def pin(desk: Desk, actor: Actor, line_id: str, site_id: str | None, seen_version: int) -> LineRecord:
    """Have the line built at one site only, or (None) wherever it is best again."""

    def pinned(line: LineRecord) -> LineRecord:
        _not_closed(line)
        approved = [s for s in line.cells.get("approved_sites", "").replace(" ", "").split(";") if s]
        if site_id is not None and approved and site_id not in approved:
            fault = Fault("", line_id, "site", f"'{site_id}'", f"a site the customer approved: {', '.join(approved)}")
            raise FaultyInput([fault])
        return replace(line, pinned_site=site_id)

    require(actor, Operation.CHANGE_BOOK)
    with desk.store.look() as work:
        network = work.networks.head()
    faults = site_faults(desk, line_id, "site", [] if site_id is None else [site_id])
    if faults:
        raise FaultyInput(faults)
    beside = network.version if network is not None else 0
    return _decide(desk, actor, line_id, seen_version, "pin" if site_id else "unpin", pinned, {"site": site_id}, beside)


def change_line(desk: Desk, actor: Actor, line_id: str, cells: Mapping[str, str], seen_version: int) -> LineRecord:
    """Change cells of the order book for one line (an empty one is left out). Raises FaultyInput with every fault."""
    require(actor, Operation.CHANGE_BOOK)
    with desk.store.look() as work:
        line = _seen(work, actor, line_id)
        network = newest_network(work, desk)
    models = sorted(models_shown(desk, actor))
    if network is None:
        raise NotFound("no network in the book yet; import a scenario first")
    row = {**line.cells, **cells, "line": line_id}
    row = {name: text.strip() for name, text in row.items() if text.strip()}
    unknown = column_faults(line_id, cells)
    if cells.get("line", line_id) != line_id:
        want = f"'{line_id}': a line keeps its name; withdraw it and bring the other as a new one"
        unknown.append(Fault("", line_id, "line", found_text(cells["line"]), want))
    if unknown:
        raise FaultyInput(unknown)
    fresh = record_of(*read_one(row, network.reading, models))
    if not may_see_code(actor, fresh.export_control):
        fault = Fault("", line_id, "export_control", f"'{fresh.export_control}'", "a code the person is cleared for")
        raise FaultyInput([fault])

    def changed(before: LineRecord) -> LineRecord:
        _not_closed(before)
        return fresh.decided_as(before)

    names = sorted(n for n in {*line.cells, *fresh.cells} if line.cells.get(n) != fresh.cells.get(n))
    return _decide(desk, actor, line_id, seen_version, "change line", changed, {"columns": names}, network.version)


def _only(line: LineRecord, standing: LineStanding, what: str) -> None:
    if line.standing is not standing:
        raise Conflict(
            f"line {line.line_id} is {line.standing.value}; only a line that is {standing.value} can be {what}"
        )


def _not_closed(line: LineRecord) -> None:
    if line.standing.closed:
        raise Conflict(f"line {line.line_id} is {line.standing.value}; it does not change any more")


def _decide(
    desk: Desk,
    actor: Actor,
    line_id: str,
    seen_version: int,
    operation: str,
    change: Callable[[LineRecord], LineRecord],
    details: Mapping[str, object],
    beside: int | None = None,
) -> LineRecord:
    """``beside``: the edition of the network that the decision was looked at beside; Stale when there is another."""
    require(actor, Operation.CHANGE_BOOK)
    with desk.store.begin() as work:
        work.revision.hold()
        latest = work.networks.head() if beside is not None else None
        if latest is not None and latest.version != beside:
            raise Stale(f"the network has changed meanwhile (edition {latest.version}); look again")
        line = _seen(work, actor, line_id)
        if line.version != seen_version:
            raise Stale(f"line {line_id} has changed since (version {line.version}, seen {seen_version}); look again")
        kept = work.lines.change(change(line), seen_version)
        remember_names(work, line, kept)
        if (kept.model, kept.export_control) != (line.model, line.export_control):
            mark_models(work, {line.model, kept.model})
        book_changed(work, desk, actor, operation, line_id, details)
    return _told(kept, hidden_names(desk, actor))
