"""Taking pieces out of the plan, so that they can be put back better."""

from __future__ import annotations

from collections.abc import Iterable

from router.planning.plate_state import PlateState
from router.planning.state import State, Undo


def remove(state: State, pairs: Iterable[tuple[int, int]], journal: list[Undo]) -> bool:
    """Take lines off plates, given as (line, plate) pairs; plates left empty go.

    False, with everything taken back, when a machine cannot run what is left (a changeover that is never made).
    """
    mark = len(journal)
    lines_of: dict[int, set[int]] = {}
    for line, plate_id in pairs:
        lines_of.setdefault(plate_id, set()).add(line)
    by_machine: dict[int, dict[int, PlateState | None]] = {}
    for plate_id, lines in lines_of.items():
        plate = state.plates[plate_id]
        by_machine.setdefault(plate.machine, {})[plate_id] = plate.without_lines(state.problem, lines)
    for machine, plates in by_machine.items():
        sequence = tuple(p for p in state.sequence[machine] if p not in plates or plates[p] is not None)
        undo = state.change(machine, sequence, plates)
        if undo is None:
            state.undo_to(journal, mark)
            return False
        journal.append(undo)
    return True


def whole_lines(state: State, lines: Iterable[int]) -> list[tuple[int, int]]:
    """Pairs that take lines off every plate."""
    return [(line, plate_id) for line in lines for plate_id in state.on[line]]


def whole_plates(state: State, plate_ids: Iterable[int]) -> list[tuple[int, int]]:
    """Pairs that empty plates."""
    return [(line, plate_id) for plate_id in plate_ids for line in state.plates[plate_id].items]
