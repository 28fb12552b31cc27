"""From the search's draft to the exact state and back: the same plates in the same order.

On the exact side every cent and minute is by the rules."""

from __future__ import annotations

from router.nesting import Nest
from router.planning.compiled import Compiled
from router.planning.plate_state import Item, PlateState
from router.planning.problem import Problem
from router.planning.state import State
from router.scheduling.draft import Draft, Plan
from router.scheduling.rooms import COUPON, Contents


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


def offer_orientations(state: State) -> None:
    """Take in every orientation a plan uses as worth trying, so that arrays compiled afterwards can hold the plan."""
    for plate in state.plates.values():
        for line, item in plate.items.items():
            state.problem.also_try(line, plate.machine, item.choice)


def as_draft_plan(compiled: Compiled, state: State) -> Plan:
    """The plates of an exact state by value, as a draft loads them; the other way round than ``adopt``.

    Raises KeyError for an orientation that was not compiled (see ``offer_orientations``).
    """
    problem, shop = state.problem, compiled.shop
    plan: Plan = []
    for machine, sequence in enumerate(state.sequence):
        queue = []
        for plate_id in sequence:
            plate = state.plates[plate_id]
            on: list[tuple[int, int, int]] = []
            counts = {COUPON: plate.coupons} if plate.coupons else {}
            for line, item in plate.items.items():
                span = shop.kinds[problem.kind[line], problem.machine_class[machine]]
                variants = range(int(span["first"]), int(span["last"]))
                known = {compiled.choices[v].orientation: v for v in variants}
                variant = known[item.choice.orientation]
                on.append((line, variant, item.pieces))
                shape = int(shop.variants[variant]["shape"])
                counts[shape] = counts.get(shape, 0) + item.pieces
            queue.append((on, Contents(counts, plate.nest)))
        plan.append(queue)
    return plan


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
