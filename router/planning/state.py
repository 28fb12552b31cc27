"""The whole plan while it is being improved: machine sequences, times, deliveries and their cost.

Every change goes through :meth:`State.change`, which recomputes only the machine concerned and the lines
whose pieces come off its plates at another time, and leaves a record that undoes it exactly.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from router.kernel.faults import PlatewrightError
from router.kernel.moments import Minute
from router.planning.eligibility import Windows
from router.planning.plate_state import PlateState
from router.planning.problem import Delivery, Problem


@dataclass(frozen=True, slots=True)
class Times:
    """When the activities of one build happen, and the changeover ahead of it."""

    changeover_start: Minute
    changeover_end: Minute
    changeover_cents: int
    load_start: Minute
    run_start: Minute
    run_end: Minute
    unload_start: Minute
    unload_end: Minute
    done: Minute
    """The plate is through its steps and its pieces part."""
    steps_cents: int
    """What the plate's steps cost, by whom they are done then."""


@dataclass(frozen=True, slots=True)
class Undo:
    """What one change replaced."""

    machine: int
    sequence: tuple[int, ...]
    plates: tuple[tuple[int, PlateState | None], ...]
    times: tuple[tuple[int, Times | None], ...]
    on: tuple[tuple[int, tuple[int, ...]], ...]
    line_cents: tuple[tuple[int, int], ...]
    machine_cents: int
    total_cents: int


class State:
    """Sequences of plates on machines and what follows from them."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.plates: dict[int, PlateState] = {}
        self.sequence: list[tuple[int, ...]] = [() for _ in problem.machines]
        self.firm = [0] * len(problem.machines)
        """By machine: so many plates at the front of its queue stay as they are; nothing is inserted there."""
        self.times: dict[int, Times] = {}
        self.on: list[tuple[int, ...]] = [() for _ in problem.lines]
        """Plates that carry pieces of each line, in ascending order."""
        self.line_cents: list[int] = [0] * len(problem.lines)
        self.machine_cents: list[int] = [0] * len(problem.machines)
        self.total_cents = 0
        self.next_plate_id = 1

    def new_plate_id(self) -> int:
        """A number no plate of this run had."""
        self.next_plate_id += 1
        return self.next_plate_id - 1

    def placed(self, line: int) -> int:
        """Pieces of a line that are on plates."""
        return sum(self.plates[p].items[line].pieces for p in self.on[line])

    def placed_lines(self) -> frozenset[int]:
        """Lines that are on plates."""
        return frozenset(i for i, on in enumerate(self.on) if on)

    def missing(self) -> int:
        """Lines that some machine may build and that are on no plate."""
        return sum(1 for i, on in enumerate(self.on) if not on and self.problem.machines_for(i))

    def site_of(self, line: int) -> str | None:
        """Site of the first plate with the line, or None."""
        if not self.on[line]:
            return None
        return self.problem.machines[self.plates[self.on[line][0]].machine].site_id

    def alloy_before(self, machine: int, position: int) -> str | None:
        """What is loaded when the build at a position of the sequence is to be prepared."""
        if position == 0:
            return self.problem.machines[machine].loaded_alloy_id
        return self.problem.alloy_of(self.plates[self.sequence[machine][position - 1]].parameter_set_id)

    def free_at(self, machine: int, position: int) -> Minute:
        """When the machine is free for a build at a position of its sequence."""
        if position == 0:
            return self.problem.available[machine]
        return self.times[self.sequence[machine][position - 1]].unload_end

    def change(self, machine: int, sequence: Sequence[int], plates: Mapping[int, PlateState | None]) -> Undo | None:
        """Give a machine a new sequence and replace plates of it (None drops one).

        Returns the record that undoes the change, or None, with nothing changed, when the sequence cannot be
        run (a changeover that is never made, a credential that has lapsed by then, a calendar without work).
        """
        problem = self.problem
        sequence = tuple(sequence)
        old_sequence = self.sequence[machine]
        first = 0
        while (
            first < len(sequence)
            and first < len(old_sequence)
            and sequence[first] == old_sequence[first]
            and sequence[first] not in plates
        ):
            first += 1
        at = self.free_at(machine, first)
        loaded = self.alloy_before(machine, first)
        new_times: list[tuple[int, Times]] = []
        for plate_id in sequence[first:]:
            plate = plates[plate_id] if plate_id in plates else self.plates[plate_id]
            if plate is None:
                raise ValueError(f"plate {plate_id} is dropped and still in the sequence")
            try:
                times = build_times(problem, machine, plate, at, loaded)
            except PlatewrightError:
                return None
            if times is None:
                return None
            new_times.append((plate_id, times))
            at = times.unload_end
            loaded = problem.alloy_of(plate.parameter_set_id)

        touched: dict[int, None] = {}
        undo_plates: list[tuple[int, PlateState | None]] = []
        undo_on: dict[int, tuple[int, ...]] = {}
        for plate_id, new in plates.items():
            old = self.plates.get(plate_id)
            undo_plates.append((plate_id, old))
            before = old.items.keys() if old else ()
            after = new.items.keys() if new else ()
            touched.update(dict.fromkeys(before))
            touched.update(dict.fromkeys(after))
            for line in before:
                if line not in after:
                    undo_on.setdefault(line, self.on[line])
                    self.on[line] = tuple(p for p in self.on[line] if p != plate_id)
            for line in after:
                if line not in before:
                    undo_on.setdefault(line, self.on[line])
                    self.on[line] = tuple(sorted((*self.on[line], plate_id)))
            if new is None:
                self.plates.pop(plate_id, None)
            else:
                self.plates[plate_id] = new
        undo_times: list[tuple[int, Times | None]] = []
        for plate_id, times in new_times:
            old_times = self.times.get(plate_id)
            if old_times != times:
                undo_times.append((plate_id, old_times))
                self.times[plate_id] = times
                if old_times is None or old_times.done != times.done:
                    touched.update(dict.fromkeys(self.plates[plate_id].items))
        for plate_id, new in plates.items():
            if new is None and plate_id in self.times:
                undo_times.append((plate_id, self.times.pop(plate_id)))
        self.sequence[machine] = sequence

        undo_lines: list[tuple[int, int]] = []
        total = self.total_cents
        nobody = False
        for line in touched:
            try:
                cents = self.delivery_cents(line)
            except PlatewrightError:
                # Nobody may or can take a step by then: the change cannot be made.
                nobody = True
                break
            if cents != self.line_cents[line]:
                undo_lines.append((line, self.line_cents[line]))
                total += cents - self.line_cents[line]
                self.line_cents[line] = cents
        machine_cents = sum(
            self.plates[p].cost_cents + self.times[p].changeover_cents + self.times[p].steps_cents for p in sequence
        )
        undo = Undo(
            machine,
            old_sequence,
            tuple(undo_plates),
            tuple(undo_times),
            tuple(undo_on.items()),
            tuple(undo_lines),
            self.machine_cents[machine],
            self.total_cents,
        )
        if nobody:
            self.undo(undo)
            return None
        self.total_cents = total + machine_cents - self.machine_cents[machine]
        self.machine_cents[machine] = machine_cents
        return undo

    def undo(self, record: Undo) -> None:
        """Take the latest change back."""
        self.sequence[record.machine] = record.sequence
        for plate_id, plate in record.plates:
            if plate is None:
                self.plates.pop(plate_id, None)
            else:
                self.plates[plate_id] = plate
        for plate_id, times in record.times:
            if times is None:
                self.times.pop(plate_id, None)
            else:
                self.times[plate_id] = times
        for line, on in record.on:
            self.on[line] = on
        for line, cents in record.line_cents:
            self.line_cents[line] = cents
        self.machine_cents[record.machine] = record.machine_cents
        self.total_cents = record.total_cents

    def undo_to(self, journal: list[Undo], mark: int) -> None:
        """Take back every change after a mark of the journal, latest first."""
        while len(journal) > mark:
            self.undo(journal.pop())

    def deliveries(self, line: int) -> list[tuple[str, tuple[int, ...], Delivery]]:
        """Site, plates and delivery of a line for every site that builds some of it."""
        problem = self.problem
        plates_at: dict[str, list[int]] = {}
        for plate_id in self.on[line]:
            site_id = problem.machines[self.plates[plate_id].machine].site_id
            plates_at.setdefault(site_id, []).append(plate_id)
        found = []
        for site_id, plate_ids in plates_at.items():
            delivery = problem.delivery(line, site_id, tuple(self.lot(line, p) for p in plate_ids))
            found.append((site_id, tuple(plate_ids), delivery))
        return found

    def lot(self, line: int, plate_id: int) -> tuple[int, Minute, float]:
        """Pieces of a line on a plate, the moment the plate is through its steps, support cm3 of a piece."""
        item = self.plates[plate_id].items[line]
        return item.pieces, self.times[plate_id].done, item.choice.support_cm3

    def stakes(self, lines: Collection[int]) -> tuple[object, ...]:
        """What the money of lines rests on: where it is the same in two states, each of them costs the same in both.

        Plates are values, so a line bears the same share of one that is still there as it was.
        """
        return tuple(
            (self.line_cents[i], tuple((self.plates[p], self.times[p].steps_cents) for p in self.on[i])) for i in lines
        )

    def delivery_cents(self, line: int) -> int:
        """Steps after the plate, freight, its carbon and lateness of a line as its plates stand."""
        return sum(delivery.cents for _, _, delivery in self.deliveries(line))


def plate_done(problem: Problem, plate: PlateState, unload_end: Minute) -> tuple[Minute, int]:
    """When a plate unloaded then is through its steps, and what they cost."""
    site_id = problem.machines[plate.machine].site_id
    alloy_id = problem.alloy_of(plate.parameter_set_id)
    return problem.plate_done(site_id, alloy_id, plate.codes, unload_end, plate.melted_kg)


def build_times(problem: Problem, machine: int, plate: PlateState, free_at: Minute, loaded: str | None) -> Times | None:
    """Earliest times of a build on a machine free from a moment with an alloy loaded; None when never.

    Raises PlatewrightError where a calendar or an outside service has no moment for it.
    """
    alloy_id = problem.alloy_of(plate.parameter_set_id)
    terms = problem.changeover_terms(machine, loaded, alloy_id)
    if terms is None:
        return None
    changes = loaded is not None and loaded != alloy_id
    made = problem.machines[machine]
    staffed = problem.staffed[made.site_id]
    at = free_at
    while True:
        changeover_start, changeover_end = staffed.attended(at, terms.minutes) if changes else (at, at)
        begun = _begin_in_window(problem, machine, plate.windows, max(changeover_end, plate.release))
        if begun is None:
            return None
        load_start, run_start = begun
        run_end = run_start + plate.run_min
        unload_start, unload_end = staffed.attended(run_end, made.unload_min)
        begin = changeover_start if changes else load_start
        clash = next((end for start, end in problem.maintenance[machine] if begin < end and start < unload_end), None)
        if clash is None:
            break
        at = max(clash, at + 1)
    done, steps_cents = plate_done(problem, plate, unload_end)
    return Times(
        changeover_start,
        changeover_end,
        terms.cost_cents if changes else 0,
        load_start,
        run_start,
        run_end,
        unload_start,
        unload_end,
        done,
        steps_cents,
    )


def _begin_in_window(problem: Problem, machine: int, windows: Windows, ready: Minute) -> tuple[Minute, Minute] | None:
    """Earliest load start and run start from a moment on, the run start inside a window; None when there is none."""
    made = problem.machines[machine]
    staffed = problem.staffed[made.site_id]
    load_start, run_start = staffed.attended(ready, made.load_min)
    for start, before in windows:
        if before <= run_start:
            continue
        while run_start < start:
            # Begin to load so much later that the run starts on the first valid day.
            load_start, run_start = staffed.attended(load_start + start - run_start, made.load_min)
        if run_start < before:
            return load_start, run_start
    return None
