"""From the search's draft to the exact state: the same plates in the same order, every cent and minute by the rules."""

from __future__ import annotations

from router.nesting import Nest
from router.planning.compiled import Compiled
from router.planning.plate_state import Item, PlateState
from router.planning.problem import Problem
from router.planning.state import State
from router.scheduling.draft import Draft


def adopt(problem: Problem, compiled: Compiled, draft: Draft) -> State:
    """The exact state of a draft. A plate the exact rules refuse is left out, its lines then miss pieces."""
    state = State(problem)
    for k in range(len(problem.machines)):
        sequence: tuple[int, ...] = ()
        for plate in draft.queue(k):
            exact = exact_plate(problem, compiled, draft, plate, state.new_plate_id())
            wanted = (*sequence, exact.plate_id)
            if state.change(k, wanted, {exact.plate_id: exact}) is not None:
                sequence = wanted
    return state


def exact_plate(problem: Problem, compiled: Compiled, draft: Draft, plate: int, plate_id: int) -> PlateState:
    """One plate of a draft as the exact state knows it."""
    row = draft.book.plates[plate]
    nest: Nest = compiled.rooms.nest(draft.held[plate])
    on = draft.lines_on(plate)
    machine = int(row["machine"])
    made = PlateState(plate_id, machine, problem.lines[on[0][0]].parameter_set_id, nest)
    made.coupons = int(row["coupons"])
    for line, variant, pieces in on:
        made.items[line] = Item(compiled.choices[variant], pieces)
    made.refresh(problem)
    return made
