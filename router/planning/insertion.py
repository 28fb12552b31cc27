"""Putting a line into the plan: every open plate it may join and every place for a plate of its own.

Candidates are priced cheaply first (closed forms and the line's own delivery, knock-on delays roughly); the few
best are then tried for real: pieces nested, machine re-timed, all lines behind it re-delivered. The true
difference of the plan's landed cost decides.
"""

from __future__ import annotations

import random
from collections.abc import Collection
from dataclasses import dataclass
from operator import attrgetter

from router.kernel.faults import PlatewrightError
from router.kernel.moments import Minute
from router.nesting import Nest
from router.planning.eligibility import Choice
from router.planning.plate_state import Item, PlateState
from router.planning.problem import DAY_MIN, Problem
from router.planning.state import State, Undo, build_times, plate_done
from router.scheduling.draft import hopeless
from router.scheduling.offers import smallest_lot

TRIES = 4
"""Candidates tried for real at each step."""
_ROOM_FACTOR = 0.92
"""Share of the free area that an estimate counts on; only orders the candidates."""
_LONG_QUEUE = 6
"""Queues of this many plates are not tried at every position."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A place for pieces of a line: a plate to join, or a position for a new plate."""

    estimate_cents: float
    machine: int
    choice: Choice
    plate_id: int | None
    position: int
    pieces: int


_by_estimate = attrgetter("estimate_cents")


class _Ask:
    """One request: so many pieces of a line at a site, with what the line has there already."""

    __slots__ = (
        "_problem",
        "_ready",
        "_standing",
        "_standing_cents",
        "line",
        "missing",
        "rest_cents",
        "site_id",
        "unit_cents",
    )

    def __init__(self, state: State, line: int, missing: int, site_id: str) -> None:
        problem = state.problem
        self._problem = problem
        self.line = line
        self.missing = missing
        self.site_id = site_id
        self.unit_cents = problem.unit_cents(line, site_id)
        self.rest_cents = problem.lot_once_cents(line, site_id)
        plates = [p for p in state.on[line] if problem.machines[state.plates[p].machine].site_id == site_id]
        self._standing = 0
        self._ready: Minute = 0
        self._standing_cents = 0
        if plates:
            lots = tuple(state.lot(line, p) for p in plates)
            delivery = problem.delivery(line, site_id, lots)
            self._standing = sum(n for n, _, _ in lots)
            self._ready = delivery.shipping.ready
            self._standing_cents = delivery.shipping.cents

    def rest(self, pieces: int) -> float:
        """Rough cost of what is still missing once ``pieces`` are placed: at least one more lot."""
        left = self.missing - pieces
        return left * self.unit_cents + self.rest_cents if left > 0 else 0.0

    def delivery(self, pieces: int, plate_done: Minute, support_cm3: float) -> tuple[int, bool]:
        """What delivering the pieces adds to the line's cost, and whether it is late; other lots come along."""
        problem = self._problem
        ready, cents = problem.lot_ready(self.line, self.site_id, support_cm3, pieces, plate_done)
        ready = max(ready, self._ready)
        shipping = problem.shipping(self.line, self.site_id, pieces + self._standing, ready)
        return cents + shipping.cents - self._standing_cents, shipping.late_days > 0


class Inserter:
    """Inserts lines into a state. ``blink`` is the chance of overlooking a candidate, for variety."""

    def __init__(self, state: State, rng: random.Random, blink: float = 0.0, tries: int = TRIES) -> None:
        self.state = state
        self.problem = state.problem
        self.rng = rng
        self.blink = blink
        self.tries = tries
        self._lone: dict[tuple[int, int, str, int], PlateState] = {}
        self._full: set[tuple[int, str]] = set()
        """Plates that had no room for a piece of the line being inserted in an orientation; they only become fuller."""

    def insert(self, line: int, journal: list[Undo], sites: Collection[str] | None = None) -> bool:
        """Place all pieces of a line that are not on plates yet. On failure everything is taken back."""
        state = self.state
        mark = len(journal)
        self._full.clear()
        while (missing := self.problem.lines[line].quantity - state.placed(line)) > 0:
            allowed = sites
            if not self.problem.lines[line].may_split_sites and state.on[line]:
                site = state.site_of(line)
                allowed = (site,) if site is not None and (sites is None or site in sites) else ()
            if not self._insert_some(line, missing, allowed, journal):
                state.undo_to(journal, mark)
                return False
        return True

    def _insert_some(self, line: int, missing: int, sites: Collection[str] | None, journal: list[Undo]) -> bool:
        """Place some of the missing pieces at the best place found; False when there is none."""
        asks: dict[str, _Ask] = {}
        candidates = self._candidates(line, missing, sites, asks)
        if self.blink > 0 and len(candidates) > 1:
            kept = [c for c in candidates if self.rng.random() >= self.blink]
            candidates = kept or candidates
        candidates.sort(key=_by_estimate)
        best: tuple[float, Candidate, PlateState] | None = None
        tried = 0
        for candidate in candidates:
            if best is not None and (tried >= self.tries or hopeless(candidate.estimate_cents, best[0])):
                break
            outcome = self.nested(line, candidate, missing)
            if outcome is None:
                if candidate.plate_id is not None:
                    self._full.add((candidate.plate_id, candidate.choice.orientation))
                continue
            plate, placed = outcome
            if candidate.plate_id is not None and placed < min(missing, self._smallest_lot(line, candidate)):
                continue
            undo = self.apply(candidate, plate)
            if undo is None:
                continue
            tried += 1
            cost = float(self.state.total_cents - undo.total_cents)
            cost += asks[self.problem.machines[candidate.machine].site_id].rest(placed)
            self.state.undo(undo)
            if best is None or cost < best[0]:
                best = (cost, candidate, plate)
        if best is None:
            return False
        done = self.apply(best[1], best[2])
        if done is None:
            return False
        journal.append(done)
        return True

    def _smallest_lot(self, line: int, candidate: Candidate) -> int:
        """Fewest pieces with which a line joins a plate: a share of the line, or of a full plate if that is less."""
        quantity = self.problem.lines[line].quantity
        full = self.problem.room_for(candidate.machine, candidate.choice, quantity)
        return int(smallest_lot(quantity, full))

    def _candidates(
        self, line: int, missing: int, sites: Collection[str] | None, asks: dict[str, _Ask]
    ) -> list[Candidate]:
        """Every place for pieces of a line, with a quick estimate of what the plan's cost rises by."""
        found: list[Candidate] = []
        problem, state = self.problem, self.state
        for machine in problem.machines_for(line):
            site_id = problem.machines[machine].site_id
            if sites is not None and site_id not in sites:
                continue
            ask = asks.get(site_id)
            if ask is None:
                try:
                    ask = asks[site_id] = _Ask(state, line, missing, site_id)
                except PlatewrightError:
                    continue
            try:
                self._at_machine(ask, machine, found)
            except PlatewrightError:
                continue  # a calendar or an outside service has no moment for it there
        return found

    def _at_machine(self, ask: _Ask, machine: int, found: list[Candidate]) -> None:
        firm = self.state.firm[machine]
        for position, plate_id in enumerate(self.state.sequence[machine][firm:], start=firm):
            plate = self.state.plates[plate_id]
            if plate.accepts(self.problem, ask.line):
                self._joins(ask, machine, position, plate, found)
        self._new_plates(ask, machine, found)

    def _joins(self, ask: _Ask, machine: int, position: int, plate: PlateState, found: list[Candidate]) -> None:
        problem, line = self.problem, ask.line
        room = plate.nest.free_area_mm2
        held = plate.items.get(line)
        times = self.state.times[plate.plate_id]
        terms = problem.build_terms(machine, plate.parameter_set_id)
        staffed = problem.staffed[ask.site_id]
        made = problem.machines[machine]
        best: tuple[float, int, int, Choice] | None = None
        for choice in problem.choices(line, machine):
            if choice.shape.area_mm2 > room or (held is not None and held.choice.orientation != choice.orientation):
                continue
            if (plate.plate_id, choice.orientation) in self._full:
                continue
            pieces = min(ask.missing, max(1, int(_ROOM_FACTOR * room / choice.bound_area_mm2)))
            run_min, cents = terms.price(
                max(plate.layers, choice.layers),
                plate.exposure_h + pieces * choice.load.exposure_h,
                plate.melted_kg + pieces * choice.load.melted_kg,
            )
            price = cents - plate.cost_cents + ask.rest(pieces)
            if best is None or price < best[0]:
                best = (price, run_min, pieces, choice)
        if best is None:
            return
        price, run_min, pieces, choice = best
        run_start = times.run_start
        if problem.release[line] > times.load_start:
            run_start = staffed.attended(problem.release[line], made.load_min)[1]
        unload_end = staffed.attended(run_start + run_min, made.unload_min)[1]
        delivery, _ = ask.delivery(pieces, plate_done(problem, plate, unload_end)[0], choice.support_cm3)
        found.append(Candidate(price + delivery, machine, choice, plate.plate_id, position, pieces))

    def _new_plates(self, ask: _Ask, machine: int, found: list[Candidate]) -> None:
        problem, state, line = self.problem, self.state, ask.line
        alloy_id = problem.lines[line].alloy_id
        sequence = state.sequence[machine]
        choices = [
            (choice, pieces, self._lone_plate(line, machine, choice, pieces))
            for choice in problem.choices(line, machine)
            if (pieces := problem.room_for(machine, choice, ask.missing)) > 0
        ]
        if not choices:
            return
        in_time = False
        push_cents_a_day = self._push_cents_a_day(sequence)
        for position in self._positions(len(sequence)):
            if position < state.firm[machine]:
                continue
            loaded = state.alloy_before(machine, position)
            if in_time and loaded != alloy_id:
                continue  # a later place is in time already; only powder that is loaded could make this one cheaper
            terms = problem.changeover_terms(machine, loaded, alloy_id)
            if terms is None:
                continue
            extra = float(terms.cost_cents)
            if position < len(sequence):
                # The plate behind now follows this alloy instead of the one before.
                behind_id = problem.alloy_of(state.plates[sequence[position]].parameter_set_id)
                before = problem.changeover_terms(machine, loaded, behind_id)
                after = problem.changeover_terms(machine, alloy_id, behind_id)
                if after is None:
                    continue
                extra += after.cost_cents - (before.cost_cents if before is not None else 0)
            free_at = state.free_at(machine, position)
            push = push_cents_a_day[position]
            here: list[tuple[float, int]] = []
            for index, (choice, pieces, plate) in enumerate(choices):
                times = build_times(problem, machine, plate, free_at, loaded)
                if times is None:
                    continue
                delivery, late = ask.delivery(pieces, times.done, choice.support_cm3)
                in_time = in_time or not late
                estimate = plate.cost_cents + times.steps_cents + extra + delivery + ask.rest(pieces)
                estimate += push * (times.unload_end - free_at) / DAY_MIN
                found.append(Candidate(estimate, machine, choice, None, position, pieces))
                here.append((estimate, index))
            if len(here) > 1:
                # The orientation that is best at the end of the queue is the one tried further ahead.
                choices = [choices[min(here)[1]]]

    def _positions(self, length: int) -> list[int]:
        """Places in a queue worth a look, last first: all of a short one, else its end, its front and two between."""
        if length < _LONG_QUEUE:
            return list(range(length, -1, -1))
        between = sorted(self.rng.sample(range(2, length), 2), reverse=True)
        return [length, *between, 1, 0]

    def _push_cents_a_day(self, sequence: tuple[int, ...]) -> list[int]:
        """By position, rough cost of delaying what stands there and behind by a day: the rates of lines pressed."""
        problem, state = self.problem, self.state
        cents = [0] * (len(sequence) + 1)
        for position in range(len(sequence) - 1, -1, -1):
            plate_id = sequence[position]
            unload_end = state.times[plate_id].unload_end
            pressed = (i for i in state.plates[plate_id].items if problem.due_soon(i, unload_end))
            cents[position] = cents[position + 1] + sum(problem.lines[i].late_cents_per_day for i in pressed)
        return cents

    def _lone_plate(self, line: int, machine: int, choice: Choice, pieces: int) -> PlateState:
        """A plate with pieces of one line that are counted but not nested, to price and time it."""
        key = (line, machine, choice.orientation, pieces)
        plate = self._lone.get(key)
        if plate is None:
            problem = self.problem
            plate = PlateState(0, machine, problem.lines[line].parameter_set_id, Nest(problem.specs[machine]))
            plate.items[line] = Item(choice, pieces)
            plate.coupons = problem.lines[line].coupons
            plate.refresh(problem)
            self._lone[key] = plate
        return plate

    def nested(self, line: int, candidate: Candidate, missing: int) -> tuple[PlateState, int] | None:
        """The candidate's plate with pieces really in place; None when none finds room."""
        if candidate.plate_id is not None:
            return self.state.plates[candidate.plate_id].with_pieces(self.problem, line, candidate.choice, missing)
        return new_plate(self.problem, line, candidate.machine, candidate.choice, missing, self.state.new_plate_id())

    def apply(self, candidate: Candidate, plate: PlateState) -> Undo | None:
        """Change the state as the candidate says."""
        sequence = self.state.sequence[candidate.machine]
        if candidate.plate_id is None:
            sequence = (*sequence[: candidate.position], plate.plate_id, *sequence[candidate.position :])
        return self.state.change(candidate.machine, sequence, {plate.plate_id: plate})


def new_plate(
    problem: Problem, line: int, machine: int, choice: Choice, missing: int, plate_id: int
) -> tuple[PlateState, int] | None:
    """A fresh plate with as many of the missing pieces as find room; None when not even one does."""
    wanted = problem.lines[line]
    nest, placed = problem.fresh_nest(machine, choice, missing, wanted.coupons)
    if placed == 0:
        return None
    plate = PlateState(plate_id, machine, wanted.parameter_set_id, nest)
    plate.coupons = wanted.coupons
    plate.items[line] = Item(choice, placed)
    plate.refresh(problem)
    return plate, placed
