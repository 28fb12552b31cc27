"""A published plan as an exact state again: to ask what else could be done, and to move builds by hand."""

from __future__ import annotations

from collections import Counter, defaultdict

from router.domain.network import Scenario
from router.domain.orders import OrderLine
from router.domain.plan import Build, Plan
from router.domain.result import LineOptions
from router.geometry import PartFacts
from router.kernel.faults import Conflict, NotFound
from router.nesting import Nest, Placement, Shape
from router.planning.eligibility import Choice
from router.planning.plate_state import Item, PlateState
from router.planning.problem import Problem
from router.planning.publish import plate_names
from router.planning.state import State
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
    state = State(problem)
    index = {line.line_id: n for n, line in enumerate(problem.lines)}
    machines = {m.machine_id: k for k, m in enumerate(problem.machines)}
    queues: dict[int, list[Build]] = defaultdict(list)
    for build in plan.builds:
        queues[machines[build.machine_id]].append(build)
    for machine, builds in sorted(queues.items()):
        plates = {}
        for build in sorted(builds, key=lambda b: b.load_start):
            plate = _plate(problem, index, machine, build, state.new_plate_id())
            plates[plate.plate_id] = plate
        if state.change(machine, tuple(plates), plates) is None:
            name = problem.machines[machine].machine_id
            raise Conflict(f"the builds of {name} cannot be run in this order any more; plan again")
    if state.total_cents != plan.totals.landed_cents:
        raise Conflict("the plan does not come to its own cost on this scenario; plan again")
    return state


def _plate(problem: Problem, index: dict[str, int], machine: int, build: Build, plate_id: int) -> PlateState:
    counts = Counter((p.line_id, p.orientation) for p in build.pieces)
    items: dict[int, Item] = {}
    shapes: dict[tuple[str | None, str], Shape] = {(None, "coupon"): problem.coupon_shape}
    for (line_id, orientation), pieces in counts.items():
        if line_id is None:
            continue
        if line_id not in index:
            raise Conflict(f"line {line_id} of build {build.build_id} is not in the book any more; plan again")
        choice = oriented(problem, index[line_id], machine, orientation)
        if choice is None:
            raise Conflict(f"line {line_id} may not be built on {build.machine_id} any more; plan again")
        items[index[line_id]] = Item(choice, pieces)
        shapes[line_id, orientation] = choice.shape
    nest = Nest(problem.specs[machine])
    for piece in build.pieces:
        shape = shapes[piece.line_id, piece.orientation]
        nest.put(shape, Placement(shape.key, piece.x_mm, piece.y_mm, piece.angle_deg))
    plate = PlateState(plate_id, machine, build.parameter_set_id, nest)
    # In the order of the shares, which is that of the plate the plan was made from: sums in floating point and positions
    # of like pieces hang on it.
    order = {share.line_id: n for n, share in enumerate(build.shares)}
    plate.items = dict(sorted(items.items(), key=lambda x: order.get(problem.lines[x[0]].line_id, len(order))))
    plate.coupons = sum(n for (line_id, _), n in counts.items() if line_id is None)
    plate.refresh(problem)
    return plate


def oriented(problem: Problem, line: int, machine: int, orientation: str) -> Choice | None:
    """The choice of a line on a machine in an orientation; None when it may not be built so."""
    return next((c for c in problem.possible_choices(line, machine) if c.orientation == orientation), None)
