"""Large-neighbourhood search: take related pieces out, put them back better, keep what pays.

After Ropke & Pisinger (2006), *Transportation Science* 40(4), and Christiaens & Vanden Berghe (2020), *Transportation
Science* 54(2) (small removals, greedy insertion with blinks), with acceptance by simulated annealing. The
neighbourhoods are those of a print shop: a plate, its neighbours in the same powder, what is late, one machine's week.
"""

from __future__ import annotations

import math
import random
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from router.domain.result import TracePoint
from router.kernel.run import Listener, Progress, Stop
from router.planning.insertion import Inserter
from router.planning.plate_state import PlateState
from router.planning.relocation import relocate
from router.planning.removal import remove, whole_lines, whole_plates
from router.planning.state import State, Times, Undo

_MISSING_CHANCE = 0.3
"""Share of rounds spent on lines that are on no plate, while there are any."""


@dataclass(frozen=True, slots=True)
class SearchParams:
    """Knobs of the search."""

    start_heat: float = 0.01
    """Annealing temperature at the start, as a share of the first plan's mean cost a line."""
    end_heat: float = 0.001
    blink: float = 0.05
    """Chance of overlooking a candidate at insertion."""
    largest_removal: int = 14
    """Most lines taken out at once by the line-wise neighbourhoods."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A whole plan, to come back to. Plates and times are values, so references suffice."""

    plates: dict[int, PlateState]
    sequence: list[tuple[int, ...]]
    times: dict[int, Times]
    on: list[tuple[int, ...]]
    line_cents: list[int]
    machine_cents: list[int]
    total_cents: int

    @staticmethod
    def of(state: State) -> Snapshot:
        return Snapshot(
            dict(state.plates),
            list(state.sequence),
            dict(state.times),
            list(state.on),
            list(state.line_cents),
            list(state.machine_cents),
            state.total_cents,
        )

    def restore(self, state: State) -> None:
        state.plates = dict(self.plates)
        state.sequence = list(self.sequence)
        state.times = dict(self.times)
        state.on = list(self.on)
        state.line_cents = list(self.line_cents)
        state.machine_cents = list(self.machine_cents)
        state.total_cents = self.total_cents


@dataclass
class SearchLog:
    """What happened: incumbents, and how often each neighbourhood was tried and paid."""

    trace: list[TracePoint] = field(default_factory=list)
    tried: dict[str, int] = field(default_factory=dict)
    paid: dict[str, int] = field(default_factory=dict)
    work: int = 0
    stop_reason: str = ""


class Search:
    """One run of the search over a state that already holds a plan."""

    def __init__(
        self,
        state: State,
        seed: int,
        stop: Stop,
        fraction: Callable[[int], float],
        listener: Listener,
        started: float,
        bound: float | None = None,
        params: SearchParams | None = None,
    ) -> None:
        """``fraction(work)`` says how much of the budget is used, 0 to 1; ``started`` is a monotonic time."""
        self.state = state
        self.rng = random.Random(seed)
        self.stop = stop
        self.fraction = fraction
        self.listener = listener
        self.started = started
        self.bound = bound
        self.params = params or SearchParams()
        self.inserter = Inserter(state, self.rng, self.params.blink)
        self.log = SearchLog()
        self.moves: list[tuple[str, float, Callable[[list[Undo]], bool]]] = [
            ("related lines", 3.0, self._related_lines),
            ("one plate", 2.0, self._one_plate),
            ("two plates", 1.5, self._two_plates),
            ("late lines", 2.0, self._late_lines),
            ("machine stretch", 1.0, self._machine_stretch),
            ("move a plate", 2.0, self._move_plate),
            ("thin plate", 2.0, self._thin_plate),
        ]

    def run(self) -> SearchLog:
        """Search until a stop rule speaks; the state then holds the best plan met."""
        state, log = self.state, self.log
        best = Snapshot.of(state)
        fewest = state.missing()
        since_better = 0
        weights = [m[1] for m in self.moves]
        scale = max(1.0, state.total_cents / max(1, len(state.problem.lines)))
        self._record(best.total_cents)
        while True:
            reason = self.stop.reason(Progress(log.work, since_better, best.total_cents, self.bound))
            if reason is not None:
                log.stop_reason = reason
                break
            log.work += 1
            since_better += 1
            if log.work % 8 == 0:
                self.listener.step(log.work)
            if not state.plates:
                log.stop_reason = "nothing to plan"
                break
            missing = state.missing()
            name, _, move = self.rng.choices(self.moves, weights)[0]
            if missing and self.rng.random() < _MISSING_CHANCE:
                name, move = "missing lines", self._missing_lines
            log.tried[name] = log.tried.get(name, 0) + 1
            before = state.total_cents
            journal: list[Undo] = []
            if not move(journal):
                state.undo_to(journal, 0)
                continue
            heat = self._temperature() * scale
            rise = state.total_cents - before
            if state.missing() == missing and rise > 0 and self.rng.random() >= math.exp(-rise / heat):
                state.undo_to(journal, 0)
                continue
            if (state.missing(), state.total_cents) < (fewest, best.total_cents):
                fewest = state.missing()
                log.paid[name] = log.paid.get(name, 0) + 1
                best = Snapshot.of(state)
                since_better = 0
                self._record(best.total_cents)
        best.restore(state)
        return log

    def _temperature(self) -> float:
        used = min(1.0, self.fraction(self.log.work))
        first, last = self.params.start_heat, self.params.end_heat
        return float(first * (last / first) ** used)

    def _record(self, landed_cents: int) -> None:
        seconds = time.monotonic() - self.started
        self.log.trace.append(TracePoint(round(seconds, 3), self.log.work, landed_cents))
        self.listener.incumbent(landed_cents, seconds)

    # --- neighbourhoods: each changes the state through the journal, or returns False ---------------------

    def _reinsert(self, pairs: list[tuple[int, int]], journal: list[Undo]) -> bool:
        lines = list(dict.fromkeys(line for line, _ in pairs))
        if not pairs or not remove(self.state, pairs, journal):
            return False
        problem = self.state.problem
        way = self.rng.randrange(4)
        if way == 0:
            self.rng.shuffle(lines)
        elif way == 1:
            lines.sort(key=lambda i: (problem.due[i], i))
        elif way == 2:
            lines.sort(key=lambda i: (-problem.bulk[i], i))
        else:
            lines.sort(key=lambda i: (len(problem.machines_for(i)), -problem.bulk[i], i))
        return all(self.inserter.insert(line, journal) for line in lines)

    def _removal_size(self) -> int:
        return 1 + int(self.rng.random() ** 2 * self.params.largest_removal)

    def _related_lines(self, journal: list[Undo]) -> bool:
        """A line and others that could share its powder, nearest in due date and place."""
        state, problem = self.state, self.state.problem
        seed = self._random_line()
        if seed is None:
            return False
        mates = [i for i in problem.same_powder(seed) if state.on[i]]
        home = problem.lines[seed].ship_to

        def distance(i: int) -> float:
            place = problem.lines[i].ship_to
            far = abs(place.latitude_deg - home.latitude_deg) + abs(place.longitude_deg - home.longitude_deg)
            return abs(problem.due[i] - problem.due[seed]) / 10 + far / 5 + 3 * self.rng.random()

        mates.sort(key=distance)
        return self._reinsert(whole_lines(state, mates[: self._removal_size()]), journal)

    def _one_plate(self, journal: list[Undo]) -> bool:
        plate = self._random_plate()
        return self._reinsert(whole_plates(self.state, [plate]), journal)

    def _two_plates(self, journal: list[Undo]) -> bool:
        """Two plates of the same powder, so that they can be made one or share better."""
        first = self._random_plate()
        powder = self.state.plates[first].parameter_set_id
        others = [
            p for p in sorted(self.state.plates) if p != first and self.state.plates[p].parameter_set_id == powder
        ]
        if not others:
            return False
        second = self.rng.choice(others)
        return self._reinsert(whole_plates(self.state, [first, second]), journal)

    def _thin_plate(self, journal: list[Undo]) -> bool:
        """The least filled of a few plates."""
        few = [self._random_plate() for _ in range(5)]
        plate = min(few, key=lambda p: (self.state.plates[p].nest.fill, p))
        return self._reinsert(whole_plates(self.state, [plate]), journal)

    def _late_lines(self, journal: list[Undo]) -> bool:
        """Some late lines, with the plates ahead of them on the same machine."""
        state = self.state
        late = [i for i in range(len(state.problem.lines)) if state.on[i] and state.is_late(i)]
        if not late:
            return False
        chosen = self.rng.sample(late, min(len(late), 1 + self.rng.randrange(3)))
        pairs = dict.fromkeys(whole_lines(state, chosen))
        if self.rng.random() < 0.5:
            plate = state.plates[self.rng.choice(state.on[chosen[0]])]
            sequence = state.sequence[plate.machine]
            ahead = sequence[: sequence.index(plate.plate_id)]
            if ahead:
                pairs.update(dict.fromkeys(whole_plates(state, [self.rng.choice(ahead)])))
        return self._reinsert(list(pairs), journal)

    def _machine_stretch(self, journal: list[Undo]) -> bool:
        """Two or three plates in a row on one machine."""
        busy = [m for m, s in enumerate(self.state.sequence) if s]
        sequence = self.state.sequence[self.rng.choice(busy)]
        length = min(len(sequence), 2 + self.rng.randrange(2))
        start = self.rng.randrange(len(sequence) - length + 1)
        pairs = whole_plates(self.state, sequence[start : start + length])
        if len(pairs) > 3 * self.params.largest_removal:
            return False
        return self._reinsert(pairs, journal)

    def _missing_lines(self, journal: list[Undo]) -> bool:
        """A line that is on no plate goes in first; what stands in its way is put back after it."""
        state, problem = self.state, self.state.problem
        missing = [i for i, on in enumerate(state.on) if not on and problem.machines_for(i)]
        line = self.rng.choice(missing)
        sequence = state.sequence[self.rng.choice(problem.machines_for(line))]
        if not sequence:
            return self.inserter.insert(line, journal)
        start = self.rng.randrange(len(sequence))
        pairs = whole_plates(state, sequence[start : start + 1 + self.rng.randrange(3)])
        if not remove(state, pairs, journal) or not self.inserter.insert(line, journal):
            return False
        return all(self.inserter.insert(i, journal) for i in dict.fromkeys(i for i, _ in pairs))

    def _move_plate(self, journal: list[Undo]) -> bool:
        return relocate(self.state, self._random_plate(), journal)

    def _random_plate(self) -> int:
        busy = [s for s in self.state.sequence if s]
        total = sum(map(len, busy))
        pick = self.rng.randrange(total)
        for sequence in busy:
            if pick < len(sequence):
                return sequence[pick]
            pick -= len(sequence)
        raise IndexError("no plate")

    def _random_line(self) -> int | None:
        placed = [i for i, on in enumerate(self.state.on) if on]
        return self.rng.choice(placed) if placed else None
