"""Today's habit: the plan a network makes when every site minds its own order book.

Lines in the order they were received; each goes to the nearest site that can build it; there its pieces go onto
the first plate of the parameter set with room, in the orientation with the least support (what a shop does unless told
otherwise), even if that plate then waits for the line to be released; when none has room, a new plate goes to the
machine that would have it done first. Nothing is moved afterwards. It knows the whole open order book, as the optimizer
does, so it fills plates better than a shop that sees one day at a time.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from router.kernel.faults import PlatewrightError
from router.planning.eligibility import Choice
from router.planning.insertion import new_plate
from router.planning.plate_state import PlateState
from router.planning.problem import Problem
from router.planning.state import State, Times, build_times


def habit_state(problem: Problem) -> State:
    """Build the habit's plan. Lines that cannot be built anywhere stay off it."""
    state = _Habit(problem, careful=False).run()
    if state is None:
        # A calendar or an outside service has no moment for some line as things ended up: ask for each at every step.
        state = _Habit(problem, careful=True).run()
    if state is None:
        raise RuntimeError("the habit's plates can be delivered one by one and not together")
    return state


@dataclass(frozen=True, slots=True)
class _Step:
    """One plate filled further or opened, to be taken back."""

    plate_id: int
    before: PlateState | None
    times: tuple[tuple[int, Times], ...]
    """Times that were replaced."""


class _Habit:
    """The plan as it grows: queues that are only ever added to at their ends, plates that only ever become fuller.

    That is what makes it lean. A plate that had no room for an outline never will have, so it is not asked again; a
    queue is timed again only as far as its times change; what deliveries cost is worked out once, at the end.
    """

    def __init__(self, problem: Problem, careful: bool) -> None:
        """``careful``: look at every step whether each line concerned can still be delivered, not only lines with an
        export code, whose outside services may have lapsed by then."""
        self.problem = problem
        self.careful = careful
        self.plates: dict[int, PlateState] = {}
        self.times: dict[int, Times] = {}
        self.queues: list[list[int]] = [[] for _ in problem.machines]
        self.place_in_queue: dict[int, int] = {}
        self.on: list[list[int]] = [[] for _ in problem.lines]
        self.open: dict[tuple[str, str], list[int]] = {}
        """Plates by site and parameter set, in the order they were opened."""
        self.refused: dict[int, set[str]] = {}
        """By plate: keys of outlines it has no room for."""
        self.first: dict[tuple[str, str, int], int] = {}
        """By site, parameter set and kind: how many of the oldest plates there have no room for lines of the kind."""
        self.least: dict[tuple[int, int], Choice | None] = {}
        self.next_plate_id = 1

    def run(self) -> State | None:
        """Every line in its turn; None when some line could not be delivered in the end."""
        problem = self.problem
        lines = problem.lines
        for line in sorted(range(len(lines)), key=lambda i: (lines[i].received_at, lines[i].line_id)):
            for site_id in problem.sites_by_distance(line):
                if self._place_at(line, site_id):
                    break
        return self._adopted()

    def _adopted(self) -> State | None:
        state = State(self.problem)
        state.next_plate_id = self.next_plate_id
        for machine, queue in enumerate(self.queues):
            if queue and state.change(machine, queue, {p: self.plates[p] for p in queue}) is None:
                return None
        state.plates = dict(sorted(state.plates.items()))
        state.times = dict(sorted(state.times.items()))
        return state

    def _place_at(self, line: int, site_id: str) -> bool:
        journal: list[_Step] = []
        missing = self.problem.lines[line].quantity
        while missing > 0:
            placed = self._join_first(line, site_id, missing, journal) or self._open_plate(
                line, site_id, missing, journal
            )
            if placed == 0:
                while journal:
                    self._undo(journal.pop())
                return False
            missing -= placed
        return True

    def _least_support(self, line: int, machine: int) -> Choice | None:
        problem = self.problem
        key = (problem.kind[line], problem.machine_class[machine])
        if key not in self.least:
            choices = problem.eligibility.verdict(*key).choices
            self.least[key] = min(choices, key=lambda c: (c.support_cm3, c.orientation), default=None)
        return self.least[key]

    def _join_first(self, line: int, site_id: str, missing: int, journal: list[_Step]) -> int:
        """Pieces put onto the first plate with room; 0 when none has."""
        problem = self.problem
        wanted = problem.lines[line]
        where = (site_id, wanted.parameter_set_id)
        # A line that shares with nobody can only come back to plates of its own.
        plate_ids = self.on[line] if wanted.own_plate else self.open.get(where, [])
        kind = (*where, problem.kind[line])
        first = 0 if wanted.own_plate else self.first.get(kind, 0)
        full_so_far = not wanted.own_plate
        for n in range(first, len(plate_ids)):
            plate_id = plate_ids[n]
            plate = self.plates[plate_id]
            if self._is_full_for(line, plate):
                if full_so_far:
                    self.first[kind] = n + 1
                continue
            full_so_far = False
            choice = self._least_support(line, plate.machine)
            if choice is None or not plate.accepts(problem, line):
                continue
            joined = plate.with_pieces(problem, line, choice, missing)
            if joined is None:
                # With coupons still to be added only a try without them tells whether the plate is full for good.
                if wanted.coupons <= plate.coupons or plate.nest.copy().add(choice.shape, 1) == 0:
                    self.refused[plate_id].add(choice.shape.key)
                continue
            step = self._change(plate_id, joined[0])
            if step is not None:
                journal.append(step)
                return joined[1]
        return 0

    def _is_full_for(self, line: int, plate: PlateState) -> bool:
        """Whether the plate can never take a piece of the line, whatever else becomes of it."""
        if plate.own_plate and line not in plate.items:
            return True
        choice = self._least_support(line, plate.machine)
        if choice is None:
            return True
        refused = self.refused[plate.plate_id]
        if choice.shape.key in refused:
            return True
        if choice.shape.area_mm2 > plate.nest.free_area_mm2:
            refused.add(choice.shape.key)
            return True
        return False

    def _open_plate(self, line: int, site_id: str, missing: int, journal: list[_Step]) -> int:
        """Pieces put onto a new plate of the machine that has it done first; 0 when no machine can."""
        problem = self.problem
        plate_id = self.next_plate_id
        self.next_plate_id += 1
        best: tuple[int, PlateState, int] | None = None
        for machine in problem.machines_for(line):
            choice = self._least_support(line, machine) if problem.machines[machine].site_id == site_id else None
            if choice is None:
                continue
            opened = new_plate(problem, line, machine, choice, missing, plate_id)
            if opened is None:
                continue
            self._append(machine, plate_id)
            step = self._change(plate_id, opened[0])
            if step is not None:
                done_at = self.times[plate_id].unload_end
                self._restore(step)
                self._drop(plate_id, machine)
                if best is None or done_at < best[0]:
                    best = (done_at, opened[0], opened[1])
            else:
                self._drop(plate_id, machine)
        if best is None:
            return 0
        self._append(best[1].machine, plate_id)
        step = self._change(plate_id, best[1])
        assert step is not None
        journal.append(step)
        self.open.setdefault((site_id, best[1].parameter_set_id), []).append(plate_id)
        self.refused[plate_id] = set()
        return best[2]

    def _append(self, machine: int, plate_id: int) -> None:
        self.place_in_queue[plate_id] = len(self.queues[machine])
        self.queues[machine].append(plate_id)

    def _drop(self, plate_id: int, machine: int) -> None:
        self.queues[machine].pop()
        del self.place_in_queue[plate_id]

    def _change(self, plate_id: int, plate: PlateState) -> _Step | None:
        """Put a plate as it is now in the place of what it was, and time what stands behind it as far as that moves.

        None, with nothing changed, when it cannot be run or its lines, or those behind, not be delivered.
        """
        problem = self.problem
        machine = plate.machine
        queue = self.queues[machine]
        position = self.place_in_queue[plate_id]
        before = self.plates.get(plate_id)
        at, loaded = problem.available[machine], problem.machines[machine].loaded_alloy_id
        if position > 0:
            ahead = queue[position - 1]
            at = self.times[ahead].unload_end
            loaded = problem.alloy_of(self.plates[ahead].parameter_set_id)
        timed: list[tuple[int, Times]] = []
        for standing_id in queue[position:]:
            standing = plate if standing_id == plate_id else self.plates[standing_id]
            try:
                times = build_times(problem, machine, standing, at, loaded)
            except PlatewrightError:
                return None
            if times is None:
                return None
            timed.append((standing_id, times))
            old = self.times.get(standing_id)
            if old is not None and old.unload_end == times.unload_end:
                break  # what stands behind is not moved
            at = times.unload_end
            loaded = problem.alloy_of(standing.parameter_set_id)
        replaced = tuple((p, self.times[p]) for p, _ in timed if p in self.times)
        step = _Step(plate_id, before, replaced)
        self.plates[plate_id] = plate
        for line in plate.items:
            if before is None or line not in before.items:
                self.on[line].append(plate_id)
        moved = [plate_id]
        for standing_id, times in timed:
            old = self.times.get(standing_id)
            if old is not None and old.done != times.done and standing_id != plate_id:
                moved.append(standing_id)
            self.times[standing_id] = times
        if self._delivered(moved):
            return step
        self._restore(step)
        return None

    def _delivered(self, plate_ids: Iterable[int]) -> bool:
        """Whether the lines on some plates that have to be looked at can be delivered as the plates stand."""
        problem = self.problem
        for line in {i for p in plate_ids for i in self.plates[p].items}:
            if not self.careful and problem.lines[line].export_control is None:
                continue
            site_id = problem.machines[self.plates[self.on[line][0]].machine].site_id
            lots = tuple(self._lot(line, p) for p in self.on[line])
            try:
                problem.delivery(line, site_id, lots)
            except PlatewrightError:
                return False
        return True

    def _lot(self, line: int, plate_id: int) -> tuple[int, int, float]:
        item = self.plates[plate_id].items[line]
        return item.pieces, self.times[plate_id].done, item.choice.support_cm3

    def _restore(self, step: _Step) -> None:
        plate = self.plates[step.plate_id]
        before = step.before
        for line in plate.items:
            if before is None or line not in before.items:
                self.on[line].remove(step.plate_id)
        if before is None:
            del self.plates[step.plate_id]
            del self.times[step.plate_id]
        else:
            self.plates[step.plate_id] = before
        self.times.update(step.times)

    def _undo(self, step: _Step) -> None:
        """Take the latest step back; a plate that has room again may be asked again."""
        plate = self.plates[step.plate_id]
        self._restore(step)
        self.first.clear()
        if step.before is not None:
            self.refused[step.plate_id] = set()
            return
        self._drop(step.plate_id, plate.machine)
        site_id = self.problem.machines[plate.machine].site_id
        opened = self.open.get((site_id, plate.parameter_set_id), [])
        if opened and opened[-1] == step.plate_id:
            opened.pop()
            del self.refused[step.plate_id]
