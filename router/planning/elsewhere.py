"""One line elsewhere: forced to each able site in turn, the rest of the plan solved anew around it.

The table of options (trade_offs.py) moves the line alone. Here everything else may move as well, so the difference is
the true price of the decision, as far as the search sees within its effort. The same effort with nothing forced is the
measure: what the search would find anyway is not put down to the site.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

from router.domain.network import Scenario
from router.domain.plan import Plan
from router.domain.result import Kpis
from router.kernel.faults import NotFound
from router.kernel.run import Listener, Silent, Status
from router.planning.compiled import Compiled
from router.planning.disturbance import Disturbance, disturbance
from router.planning.draft_plan import adopt
from router.planning.key_figures import key_figures
from router.planning.problem import Problem
from router.planning.publish import publish
from router.planning.solve import RunParams, fill_gaps
from router.planning.warm_start import LITTLE_HEAT, WarmStart, warm_start
from router.scheduling.draft import Draft
from router.scheduling.draft import Plan as DraftPlan
from router.scheduling.solve import SolveParams, sizes_for, solve

MADE_BY = "one line elsewhere"
NO_PLACE_THERE = "able to build it, but no place was found for it there beside the rest of the plan"
STOPPED = "not worked out: the run was stopped"


@dataclass(frozen=True, slots=True)
class SiteTried:
    """The whole plan with the line at one site, or why there is none."""

    site_id: str | None
    """None: nothing forced, the measure for the others."""
    chosen: bool
    """The live plan builds the line there."""
    plan: Plan | None
    kpis: Kpis | None
    reasons: tuple[str, ...]
    difference_cents: int | None
    """Landed cost of the whole plan over that of the plan with nothing forced."""
    moved: Disturbance | None
    """Against the live plan."""
    work: int
    stop_reason: str


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """A line at every site of the network, in the network's order."""

    line_id: str
    live_cents: int
    free: SiteTried
    sites: tuple[SiteTried, ...]


def elsewhere(
    scenario: Scenario,
    live: Plan,
    line_id: str,
    params: RunParams,
    listener: Listener | None = None,
    cancel: threading.Event | None = None,
    found: Callable[[SiteTried], None] | None = None,
    keep: tuple[str, ...] = (),
) -> Elsewhere:
    """Force a line to each able site in turn and search around it from the live plan.

    ``params``: effort and seed of each search, so the whole takes as many times that as there are able sites and one
    more. ``found`` hears each answer as it comes. Once ``cancel`` is set the search at hand keeps its best and the
    other sites say that they were not worked out. Raises NotFound for a line that is not in the book, and what
    ``take_up`` raises about ``keep``.
    """
    listener = listener or Silent()
    problem = Problem(scenario)
    index = next((n for n, x in enumerate(problem.lines) if x.line_id == line_id), None)
    if index is None:
        raise NotFound(f"no line {line_id!r} in the book")
    begun = warm_start(problem, live, keep, params.seed)
    task = _Task(problem, begun, live, index, params, listener, cancel)
    chosen = {s.site_id for s in live.shipments if s.line_id == line_id}
    able = set(problem.sites_for(index))
    free = task.tried(None, False)
    if found is not None:
        found(free)
    sites = []
    for site in scenario.network.sites:
        here = site.site_id in chosen
        if site.site_id not in able:
            why = problem.eligibility.why_not(line_id, site.site_id)
            tried = _nothing(site.site_id, here, why)
        elif cancel is not None and cancel.is_set():
            tried = _nothing(site.site_id, here, (STOPPED,))
        else:
            tried = task.tried(site.site_id, here)
            if tried.plan is not None and free.plan is not None:
                difference = tried.plan.totals.landed_cents - free.plan.totals.landed_cents
                tried = replace(tried, difference_cents=difference)
        if found is not None:
            found(tried)
        sites.append(tried)
    ended = Status.CANCELLED if cancel is not None and cancel.is_set() else Status.FEASIBLE
    listener.ended(ended, "cancelled" if ended is Status.CANCELLED else "every site tried")
    return Elsewhere(line_id, live.totals.landed_cents, free, tuple(sites))


def _nothing(site_id: str, chosen: bool, reasons: tuple[str, ...]) -> SiteTried:
    return SiteTried(site_id, chosen, None, None, reasons, None, None, 0, "")


class _Task:
    """What every site shares: the problem, its arrays, the live plan as a draft."""

    def __init__(
        self,
        problem: Problem,
        begun: WarmStart,
        live: Plan,
        line: int,
        params: RunParams,
        listener: Listener,
        cancel: threading.Event | None,
    ) -> None:
        self.problem = problem
        self.begun = begun
        self.live = live
        self.line = line
        self.params = params
        self.listener = listener
        self.cancel = cancel
        self.start = begun.draft.unload()

    def tried(self, site_id: str | None, chosen: bool) -> SiteTried:
        """Search with the line at a site only; anywhere for None."""
        problem, begun, params = self.problem, self.begun, self.params
        sites = problem.network.sites
        name = next((s.name for s in sites if s.site_id == site_id), "")
        self.listener.phase(f"line at {name}" if name else "nothing forced", params.work)
        arrays = begun.arrays if site_id is None else _narrowed(begun.arrays, self.line, self._number(site_id))
        start = self.start if site_id is None else self._moved(arrays)
        if start is None:
            return _nothing(site_id or "", chosen, (NO_PLACE_THERE,))
        outcome = solve(
            arrays.shop,
            arrays.rooms,
            SolveParams(params.seed, params.seconds, params.work, params.workers, knobs=LITTLE_HEAT),
            listener=self.listener,
            cancel=self.cancel,
            start=start,
            firm=begun.firm,
            started=time.monotonic(),
        )
        state = adopt(problem, arrays, outcome.draft)
        state.firm = list(begun.firm)
        stands = state.placed(self.line) == problem.lines[self.line].quantity
        if site_id is not None and not stands:
            # The exact rules refused a plate; filling the gap might put the line at another site.
            return _nothing(site_id, chosen, (NO_PLACE_THERE,))
        fill_gaps(state)
        plan = publish(state, MADE_BY, params.seed)
        return SiteTried(
            site_id,
            chosen,
            plan,
            key_figures(problem, plan),
            (),
            None if site_id is not None else 0,
            disturbance(self.live, plan),
            outcome.work,
            outcome.stop_reason,
        )

    def _number(self, site_id: str) -> int:
        return [s.site_id for s in self.problem.network.sites].index(site_id)

    def _moved(self, arrays: Compiled) -> DraftPlan | None:
        """The live plan with the line taken off its plates and put where it may still be; None when nowhere."""
        begun = self.begun
        draft = Draft(arrays.shop, arrays.rooms, sizes_for(arrays.shop, start=self.start), self.params.seed % (1 << 31))
        draft.load(self.start)
        draft.hold(begun.firm)
        pairs = [(self.line, plate) for plate in draft.plates_of(self.line)]
        open_sites = arrays.shop.gates["open"][self.line]
        where = {draft.site[int(draft.book.plates[plate]["machine"])] for _, plate in pairs}
        if pairs and all(open_sites[site] for site in where):
            return self.start  # it is there already
        if not draft.mine[self.line] or not draft.remove(pairs) or not draft.insert(self.line):
            return None
        draft.commit()
        return draft.unload()


def _narrowed(arrays: Compiled, line: int, site: int) -> Compiled:
    """The same arrays with one line allowed at one site only."""
    gates = arrays.shop.gates.copy()
    closed = [s for s in range(gates.shape[1]) if s != site]
    gates["open"][line, closed] = 0
    return replace(arrays, shop=arrays.shop._replace(gates=gates))
