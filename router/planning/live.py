"""A published plan as an exact state again: to ask what else could be done, and to move builds by hand."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

from router.domain.network import Scenario
from router.domain.orders import OrderLine
from router.domain.plan import Plan
from router.domain.result import LineOptions
from router.geometry import PartFacts
from router.kernel.faults import Conflict, NotFound
from router.planning.problem import Problem
from router.planning.publish import plate_names
from router.planning.removal import remove, whole_lines
from router.planning.state import State, Undo
from router.planning.taken_up import take_up
from router.planning.trade_offs import carbon_share, line_options

_MOST_GUESTS = 2_000
NOT_IN_THIS_PLAN = (
    "It is not part of this plan, which was made before it came: the table says what it would cost at each site now."
    " A new plan places it."
)


class LivePlan:
    """A plan and its exact state. Not for several threads at once: questions change the state and put it back."""

    def __init__(self, scenario: Scenario, plan: Plan) -> None:
        """Rebuild the state. Raises Conflict when the plan cannot be run on the scenario as it is now."""
        self.plan = plan
        self._scenario = scenario
        self._index = {line.line_id: n for n, line in enumerate(scenario.lines)}
        self._open()

    def _open(self) -> None:
        self.problem = Problem(self._scenario)
        self.state = state_of(self.problem, self.plan)
        self.plate_of = {name: plate_id for plate_id, name in plate_names(self.state).items()}
        """Plate of the state by the plan's name of the build."""
        self.lasting_ids = {self.plate_of[b.build_id]: b.lasting_id for b in self.plan.builds}
        """Identity of the build by plate of the state."""
        self._guests: dict[OrderLine, int] = {}
        self._measured = {name: part.content_hash for name, part in self._scenario.parts.items()}

    def known(self, line_ids: Collection[str]) -> list[int]:
        """Indexes of those lines that the scenario has."""
        return [self._index[x] for x in line_ids if x in self._index]

    def where(self, line_id: str, apart: Collection[str] = ()) -> LineOptions:
        """Every site for a line of the scenario, the rest of the plan as it stands.

        A marginal cost that counts money of lines ``apart`` is None.
        """
        if line_id not in self._index:
            raise NotFound(f"no line {line_id!r} in the plan's book")
        return line_options(self.state, self._index[line_id], plate_names(self.state), apart=self.known(apart))

    def build_carbon_cents(self, line_id: str) -> int:
        """What of the line's fair cost is the carbon of its builds; 0 for one that is not placed."""
        if line_id not in self._index:
            raise NotFound(f"no line {line_id!r} in the plan's book")
        return carbon_share(self.state, self._index[line_id])

    def where_new(self, line: OrderLine, part: PartFacts, apart: Collection[str] = ()) -> LineOptions:
        """Every site for a line the plan does not know; ``apart`` as in :meth:`where`."""
        index = self.admit(line, part)  # first: it may make the state anew
        found = line_options(self.state, index, plate_names(self.state), apart=self.known(apart))
        if not any(o.possible for o in found.sites):
            return found  # the reasons stand with the sites
        return replace(found, sentence=NOT_IN_THIS_PLAN)

    def where_in_quantity(self, line_id: str, quantity: int, apart: Collection[str] = ()) -> LineOptions:
        """Every site for a line of the scenario in another quantity, its own place given back first.

        In its own quantity the same as :meth:`where`.
        """
        if line_id not in self._index:
            raise NotFound(f"no line {line_id!r} in the plan's book")
        own = self._scenario.line[line_id]
        if quantity == own.quantity:
            return self.where(line_id, apart)
        # A name of its own: verdicts are found by name, and the line itself stays in the book.
        other = replace(own, line_id=f"{line_id} in {quantity}", quantity=quantity)
        index = self.admit(other, self._scenario.parts[own.model])  # first: it may make the state anew
        journal: list[Undo] = []
        placed = bool(self.state.on[self._index[line_id]])
        if placed and not remove(self.state, whole_lines(self.state, [self._index[line_id]]), journal):
            self.state.undo_to(journal, 0)
        found = line_options(self.state, index, plate_names(self.state), apart=self.known(apart))
        self.state.undo_to(journal, 0)
        return found

    def admit_all(self, guests: Sequence[tuple[OrderLine, PartFacts]]) -> list[int]:
        """Indexes of lines the plan does not know, all of them good at the same time.

        Raises ValueError for more than the state can take in at once.
        """
        if len(guests) > _MOST_GUESTS:
            raise ValueError(f"{len(guests)} lines; at most {_MOST_GUESTS} at a time")
        if len(self._guests) + len(guests) > _MOST_GUESTS:
            self._open()
        return [self.admit(line, part) for line, part in guests]

    def admit(self, line: OrderLine, part: PartFacts) -> int:
        """Index of a line the plan does not know, taken in when it is not yet. It stays unplaced.

        After thousands of such lines the state is made anew, so that they do not pile up.
        """
        if self._measured.setdefault(line.model, part.content_hash) != part.content_hash:
            # Another mesh under a name the plan knows: verdicts go by the name, so it gets one of its own.
            line = replace(line, model=f"{line.model} {part.content_hash}")
        if line not in self._guests and len(self._guests) >= _MOST_GUESTS:
            self._open()
            return self.admit(line, part)
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
