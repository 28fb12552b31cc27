"""Where a line is, could be and would be built, asked of the live plan.

What the whole plan would cost otherwise is told unless lines hidden from the reader cost otherwise too: it would tell
by how much. The fair landed cost is told to everybody: it holds nothing of others' money, only the line's own and its
share, by footprint and height, of a plate that stands on the schedule; and so are dates, plates and their fill.
"""

from __future__ import annotations

import threading
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from router.domain.orders import OrderLine
from router.domain.result import LineOptions
from router.geometry import PartFacts
from router.kernel.faults import Conflict, Fault, FaultyInput, NotFound
from router.planning.live import LivePlan
from router.planning.room_now import WouldFit, room_now
from router.service.book import get_line
from router.service.builds import seen_build
from router.service.cells import column_faults, csv_of, read_cells, read_one
from router.service.desk import Desk
from router.service.models import content_of, measured, models_shown
from router.service.network import network_there, newest_network
from router.service.plans import PlanInFull, live_in_full, plan_in_full
from router.service.records import Actor, LineStanding
from router.service.rights import Operation, may_see_code, require, sites_seen
from router.service.visible import hidden_lines

AT_ANOTHER_SITE = "at another site"
"""Stands for a build of a site whose floor the actor does not see."""
_MOST_FRESH = 60
"""So many unplanned lines are asked about a plate, the most urgent first; more would not be tried anyway."""


@dataclass(frozen=True)
class OpenPlan:
    """A plan as an exact state, used by one request at a time."""

    full: PlanInFull
    live: LivePlan
    lock: threading.Lock


def open_plan(desk: Desk, full: PlanInFull) -> OpenPlan:
    """The plan's state, made once and remembered."""
    plan_id = full.head.plan_id

    def make() -> OpenPlan:
        return OpenPlan(full, LivePlan(full.scenario, full.result.plan), threading.Lock())

    found: OpenPlan = desk.memory.get(("open plan", plan_id), make)
    return found


def open_ahead(desk: Desk) -> None:
    """Open the live plan before anybody asks; on large books that takes seconds. Nothing happens without one."""
    try:
        open_plan(desk, live_in_full(desk))
    except (NotFound, Conflict):
        return


def where_to_build(desk: Desk, actor: Actor, line_id: str) -> LineOptions:
    """Every site for a line of the book against the live plan: landed cost fair and marginal, dates, CO2e, or why not.

    A line that came after the plan is asked as a new one.
    """
    line = get_line(desk, actor, line_id)
    opened = open_plan(desk, live_in_full(desk))
    if line_id in opened.full.scenario.line:
        hidden = hidden_lines(desk, actor)
        with opened.lock:
            return _seen_options(actor, opened.live.where(line_id, hidden))
    return _asked_of_live(desk, actor, line.cells, (), own=True)[0]


def build_carbon_cents(desk: Desk, actor: Actor, line_id: str) -> int:
    """The carbon of the builds as it is in the fair landed cost of a line of the live plan; 0 for one not in it.

    Raises Conflict when the plan cannot be opened on its scenario.
    """
    get_line(desk, actor, line_id)
    opened = open_plan(desk, live_in_full(desk))
    if line_id not in opened.full.scenario.line:
        return 0
    with opened.lock:
        return opened.live.build_carbon_cents(line_id)


def where_in_quantities(desk: Desk, actor: Actor, line_id: str, quantities: Sequence[int]) -> tuple[LineOptions, ...]:
    """``where_to_build`` for a line of the book in other quantities: what it takes in the plan is given back first."""
    line = get_line(desk, actor, line_id)
    opened = open_plan(desk, live_in_full(desk))
    if line_id not in opened.full.scenario.line:
        return _asked_of_live(desk, actor, line.cells, quantities, own=True)
    hidden = hidden_lines(desk, actor)
    with opened.lock:
        return tuple(_seen_options(actor, opened.live.where_in_quantity(line_id, q, hidden)) for q in quantities)


def where_would_it_go(
    desk: Desk, actor: Actor, cells: Mapping[str, str], quantities: Sequence[int] = ()
) -> tuple[LineOptions, ...]:
    """Every site for a line that is not in the plan, given as cells of the order book; once for each quantity.

    The model has to be in the book. Raises FaultyInput with every fault of the cells.
    """
    return _asked_of_live(desk, actor, cells, quantities, own=False)


def _asked_of_live(
    desk: Desk, actor: Actor, cells: Mapping[str, str], quantities: Sequence[int], own: bool
) -> tuple[LineOptions, ...]:
    """``own``: the cells are those of a line of the book that the actor sees, with the model it keeps."""
    require(actor, Operation.SEE_PLANS)
    shas = {name: m.sha256 for name, m in models_shown(desk, actor).items()}
    with desk.store.look() as work:
        newest = network_there(work, desk)
    unknown = column_faults("the line", cells)
    if unknown:
        raise FaultyInput(unknown)
    row = {name: text for name, text in {**cells, "line": cells.get("line") or "new-line"}.items() if text}
    line, _ = read_one(row, newest.reading, sorted(shas))
    if not may_see_code(actor, line.export_control):
        fault = Fault("the line", "", "export_control", f"'{line.export_control}'", "a code you are cleared for")
        raise FaultyInput([fault])
    if any(not 1 <= q <= 100_000 for q in quantities) or len(quantities) > 12:
        raise FaultyInput([Fault("the line", "", "quantities", str(list(quantities)[:12]), "up to 12 of 1 to 100000")])
    opened = open_plan(desk, live_in_full(desk))
    sha = content_of(shas, line.line_id, line.model) if own else shas[line.model]
    part = measured(desk, line.model, sha, line.unit, opened.full.scenario.network.overhang_deg)
    lines = [replace(line, quantity=q) for q in quantities] or [line]
    hidden = hidden_lines(desk, actor)
    with opened.lock:
        return tuple(_seen_options(actor, _asked(opened, one, part, hidden)) for one in lines)


def _asked(opened: OpenPlan, line: OrderLine, part: PartFacts, hidden: Collection[str]) -> LineOptions:
    network = opened.full.scenario.network
    if line.alloy_id not in network.alloy or line.parameter_set_id not in network.parameter_set:
        want = "an alloy and parameter set the live plan's network has; make a new plan first"
        raise FaultyInput([Fault("the line", line.line_id, "alloy", f"'{line.alloy_id}'", want)])
    # A line no longer due keeps its own release; the plan's moment is the earliest anything begins.
    return opened.live.where_new(line, part, hidden)


def would_fit(desk: Desk, actor: Actor, plan_id: int, build_id: str) -> tuple[WouldFit, ...]:
    """Lines of the plate's powder that would find room there now, unplanned ones of the book included."""
    _, build = seen_build(desk, actor, plan_id, build_id)
    opened = open_plan(desk, plan_in_full(desk, plan_id))
    hidden = hidden_lines(desk, actor)
    with desk.store.look() as work:
        waiting = [x for x in work.lines.all() if x.standing is LineStanding.OPEN]
        newest = newest_network(work, desk)
        shas = {m.name: m.sha256 for m in work.models.all()}
    site_id = opened.full.scenario.network.machine[build.machine_id].site_id
    fresh = [
        x
        for x in waiting
        if x.line_id not in opened.full.scenario.line and x.line_id not in hidden and x.pinned_site in (None, site_id)
    ]
    lines = []
    if fresh and newest is not None:
        lines = [line for line, _ in read_cells(csv_of(x.cells for x in fresh), "", newest.reading, sorted(shas))[0]]
    network = opened.full.scenario.network
    lines = sorted(
        (line for line in lines if line.parameter_set_id == build.parameter_set_id),
        key=lambda line: (line.due_date, line.line_id),
    )[:_MOST_FRESH]
    parts = [measured(desk, x.model, content_of(shas, x.line_id, x.model), x.unit, network.overhang_deg) for x in lines]
    with opened.lock:
        guests = opened.live.admit_all(list(zip(lines, parts, strict=True)))
        fits = room_now(opened.live, build_id, guests=guests, apart=hidden)
    here = _site_of_builds(opened.full)
    sites = sites_seen(actor)
    return tuple(
        f if sites is None or f.now_on is None or here[f.now_on] in sites else replace(f, now_on=AT_ANOTHER_SITE)
        for f in fits
        if f.line_id not in hidden
    )


def _site_of_builds(full: PlanInFull) -> dict[str, str]:
    machines = full.scenario.network.machine
    return {b.build_id: machines[b.machine_id].site_id for b in full.result.plan.builds}


def _seen_options(actor: Actor, options: LineOptions) -> LineOptions:
    """Options without the builds of sites whose floor the actor does not see."""
    sites = sites_seen(actor)
    if sites is None:
        return options
    seen = tuple(
        o if o.site_id in sites or o.joins_build_id is None else replace(o, joins_build_id=AT_ANOTHER_SITE)
        for o in options.sites
    )
    return replace(options, sites=seen)
