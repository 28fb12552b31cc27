"""Moving a whole plate, nest and all, to another place in a sequence or to a machine with the same plate."""

from __future__ import annotations

from router.planning.plate_state import Item, PlateState
from router.planning.state import State, Undo


def moved(state: State, plate: PlateState, machine: int) -> PlateState | None:
    """The plate as it would be on another machine; None when a line on it may not go there or the plates differ."""
    problem = state.problem
    if machine == plate.machine:
        return plate
    if problem.specs[machine] != problem.specs[plate.machine]:
        return None
    site_id = problem.machines[machine].site_id
    twin = plate.clone()
    twin.machine = machine
    for line, item in plate.items.items():
        if not problem.lines[line].may_split_sites and any(
            problem.machines[state.plates[p].machine].site_id != site_id for p in state.on[line] if p != plate.plate_id
        ):
            return None
        same = (item.choice.orientation, item.choice.shape.key)
        choice = next((c for c in problem.choices(line, machine) if (c.orientation, c.shape.key) == same), None)
        if choice is None:
            return None
        twin.items[line] = Item(choice, item.pieces)
    twin.refresh(problem)
    return twin


def relocate(state: State, plate_id: int, journal: list[Undo], limit: int = 40) -> bool:
    """Move a plate to the best place found on any machine, its own included. True when the state changed.

    ``limit`` bounds the number of positions tried for real.
    """
    problem = state.problem
    plate = state.plates[plate_id]
    home = plate.machine
    mark = len(journal)
    out = state.change(home, tuple(p for p in state.sequence[home] if p != plate_id), {plate_id: None})
    if out is None:
        return False
    journal.append(out)
    best: tuple[int, int, int, PlateState] | None = None
    tried = 0
    for machine in problem.machines_like(home):
        there = moved(state, plate, machine) if machine != home else plate
        if there is None:
            continue
        sequence = state.sequence[machine]
        for position in range(len(sequence) + 1):
            if tried >= limit:
                break
            tried += 1
            undo = state.change(machine, (*sequence[:position], plate_id, *sequence[position:]), {plate_id: there})
            if undo is None:
                continue
            cost = state.total_cents
            state.undo(undo)
            if best is None or cost < best[0]:
                best = (cost, machine, position, there)
    if best is None:
        state.undo_to(journal, mark)
        return False
    _, machine, position, there = best
    sequence = state.sequence[machine]
    done = state.change(machine, (*sequence[:position], plate_id, *sequence[position:]), {plate_id: there})
    if done is None:
        state.undo_to(journal, mark)
        return False
    journal.append(done)
    return True
