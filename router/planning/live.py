"""A published plan as an exact state again: to ask what else could be done, and to move builds by hand."""

from __future__ import annotations

from router.domain.network import Scenario
from router.domain.orders import OrderLine
from router.domain.plan import Plan
from router.domain.result import LineOptions
from router.geometry import PartFacts
from router.kernel.faults import Conflict, NotFound
from router.planning.problem import Problem
from router.planning.publish import plate_names
from router.planning.state import State
from router.planning.taken_up import take_up
from router.planning.trade_offs import line_options


class LivePlan:
    """A plan and its exact state. Not for several threads at once: questions change the state and put it back."""

    def __init__(self, scenario: Scenario, plan: Plan) -> None:
        """Rebuild the state. Raises Conflict when the plan cannot be run on the scenario as it is now."""
        self.problem = Problem(scenario)
        self.plan = plan
        self.state = state_of(self.problem, plan)
        self.plate_of = {name: plate_id for plate_id, name in plate_names(self.state).items()}
        """Plate of the state by the plan's name of the build."""
        self._index = {line.line_id: n for n, line in enumerate(self.problem.lines)}
        self._guests: dict[OrderLine, int] = {}

    def where(self, line_id: str) -> LineOptions:
        """Every site for a line of the scenario, the rest of the plan as it stands."""
        if line_id not in self._index:
            raise NotFound(f"no line {line_id!r} in the plan's book")
        return line_options(self.state, self._index[line_id], plate_names(self.state))

    def where_new(self, line: OrderLine, part: PartFacts) -> LineOptions:
        """Every site for a line the plan does not know."""
        return line_options(self.state, self.admit(line, part), plate_names(self.state))

    def admit(self, line: OrderLine, part: PartFacts) -> int:
        """Index of a line the plan does not know, taken in when it is not yet. It stays unplaced."""
        index = self._guests.get(line)
        if index is None:
            index = self._guests[line] = self.problem.admit(line, part)
            self.state.on.append(())
            self.state.line_cents.append(0)
        return index


def state_of(problem: Problem, plan: Plan) -> State:
    """The exact state of a plan: the same plates with their pieces where they are, in the same queues.

    Raises Conflict when a build cannot be run as the scenario is now, or the state does not come to the plan's cost.
    """
    state = take_up(problem, plan, [b.build_id for b in plan.builds]).state
    # Taken up whole, but free to be changed.
    state.firm = [0] * len(problem.machines)
    if state.total_cents != plan.totals.landed_cents:
        raise Conflict("the plan does not come to its own cost on this scenario; plan again")
    return state
