"""One line elsewhere: forced to each able site in turn, the rest of the plan solved anew around it.

The table of options (trade_offs.py) moves the line alone. Here everything else may move as well, so the difference is
the true price of the decision, as far as the search sees within its effort. The same effort with nothing forced is the
measure: what the search would find anyway is not put down to the site. In a large network only machines that could
build the line are searched, in every answer the same ones: what the rest of the network could gain would only blur it.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace

from router.domain.network import Scenario
from router.domain.plan import Plan
from router.domain.result import Kpis
from router.kernel.faults import Conflict, NotFound
from router.kernel.run import Listener, Silent
from router.planning.compiled import Compiled
from router.planning.disturbance import Disturbance, disturbance
from router.planning.draft_plan import adopt
from router.planning.key_figures import key_figures
from router.planning.problem import Problem
from router.planning.publish import NO_PLACE, publish
from router.planning.solve import fill_gaps
from router.planning.warm_start import LITTLE_HEAT, warm_start
from router.scheduling.draft import Draft
from router.scheduling.draft import Plan as DraftPlan
from router.scheduling.solve import SolveParams, sizes_for, solve

AS_IT_IS = ""
"""Label of the answer in which the line may go anywhere: what the same effort makes of the plan itself."""
STAYS = "it stands on a build that has started or is pinned, and stays there"
"""Why a line is at no other site than its own."""
_SEARCHED_WHOLE = 16
"""Networks of no more machines are searched whole around the line."""


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """The plan with the line at one site; None with reasons when it cannot be."""

    site_id: str
    plan: Plan | None
    kpis: Kpis | None
    reasons: tuple[str, ...]
    moved: Disturbance | None = None
    """What the plan changes of the live one."""


def elsewhere(
    scenario: Scenario,
    plan: Plan,
    line_id: str,
    seconds: float | None,
    seed: int,
    listener: Listener | None = None,
    cancel: threading.Event | None = None,
    work: int | None = None,
    keep: Collection[str] = (),
) -> Iterator[Elsewhere]:
    """First the plan as it is, solved on with the same effort; then one answer a site. ``seconds`` or ``work`` each.

    Differences between the answers are due to the site as far as the effort reaches: on a plan that has hardly been
    searched, chance finds are as large. ``keep`` names builds that stay. Raises NotFound for an unknown line, and what
    ``take_up`` raises. After a cancel the search at hand keeps its best and no further site is begun.
    """
    listener = listener or Silent()
    if line_id not in scenario.line:
        raise NotFound(f"no line {line_id!r} in the plan's book")
    task = _Task(scenario, plan, line_id, SolveParams(seed, seconds, work, knobs=LITTLE_HEAT), listener, cancel, keep)
    sites = scenario.network.sites
    for n, (site_id, name) in enumerate(((AS_IT_IS, ""), *((s.site_id, s.name) for s in sites))):
        if cancel is not None and cancel.is_set():
            return
        listener.phase(f"line at {name}" if site_id else "the plan as it is", len(sites) + 1)
        listener.step(n)
        why = task.problem.eligibility.why_not(line_id, site_id) if site_id else ()
        yield Elsewhere(site_id, None, None, why) if why else task.answer(site_id)


class _Task:
    """What every site shares: the problem, its arrays, the live plan as a draft, the machines that are searched."""

    def __init__(
        self,
        scenario: Scenario,
        live: Plan,
        line_id: str,
        params: SolveParams,
        listener: Listener,
        cancel: threading.Event | None,
        keep: Collection[str],
    ) -> None:
        self.problem = Problem(scenario)
        self.live = live
        self.line = self.problem.lines.index(scenario.line[line_id])
        self.params = params
        self.listener = listener
        self.cancel = cancel
        self.begun = warm_start(self.problem, live, keep, params.seed)
        self.start = self.begun.draft.unload()
        self.machines: tuple[int, ...] | None = None
        if len(self.problem.machines) > _SEARCHED_WHOLE:
            # Wherever the line stands is among the machines that may build it.
            self.machines = tuple(self.problem.machines_for(self.line))

    def answer(self, site_id: str) -> Elsewhere:
        """Search with the line at a site only; anywhere as it is."""
        problem, begun = self.problem, self.begun
        forced = site_id != AS_IT_IS
        arrays = _narrowed(begun.arrays, self.line, self._number(site_id)) if forced else begun.arrays
        start = self._moved(arrays) if forced else self.start
        if start is None:
            return Elsewhere(site_id, None, None, (NO_PLACE if begun.draft.mine[self.line] else STAYS,))
        outcome = solve(
            arrays.shop,
            arrays.rooms,
            self.params,
            listener=self.listener,
            cancel=self.cancel,
            start=start,
            firm=begun.firm,
            machines=self.machines,
            started=time.monotonic(),
        )
        state = adopt(problem, arrays, outcome.draft)
        state.firm = list(begun.firm)
        if forced and state.placed(self.line) < problem.lines[self.line].quantity:
            # The exact rules refused a plate, and filling the gap might put the line at another site.
            return Elsewhere(site_id, None, None, (NO_PLACE,))
        try:
            fill_gaps(state)
        except Conflict as stuck:
            # Of this answer only: the other sites may have a plan.
            return Elsewhere(site_id, None, None, (str(stuck),))
        plan = publish(state, "optimizer", self.params.seed)
        return Elsewhere(site_id, plan, key_figures(problem, plan), (), disturbance(self.live, plan))

    def _number(self, site_id: str) -> int:
        return [s.site_id for s in self.problem.network.sites].index(site_id)

    def _moved(self, arrays: Compiled) -> DraftPlan | None:
        """The live plan with the line taken off its plates and put where it may still be; None when nowhere."""
        sizes = sizes_for(arrays.shop, start=self.start)
        draft = Draft(arrays.shop, arrays.rooms, sizes, self.params.seed % (1 << 31))
        draft.load(self.start)
        draft.hold(self.begun.firm)
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
