"""A network living through a stream of orders, planned day by day without sight of what is still to come.

Every planning day the planner sees the lines received so far. It places them among the builds that have not begun,
improves what is loose for a number of rounds, and lets begin what begins before the next planning day. Builds that
have begun are never touched again. All of it runs on one ``Shop`` of the whole stream: a line is unknown to the
planner until its day (it stands on no plate, and nothing but its row of the tables exists).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from router.domain.network import Scenario
from router.kernel.moments import to_minute
from router.kernel.run import WorkLimit
from router.kernel.seeds import child_seed
from router.planning.compiled import compiled
from router.planning.problem import DAY_MIN, Problem
from router.scheduling.book import set_queue
from router.scheduling.draft import Care, Draft
from router.scheduling.search import Search
from router.scheduling.solve import sizes_for
from router.whatif.rolling.deliveries import Delivered, arrival, delivered

_CARE = Care(positions=3, depth=10, tries=2, joins=8, fresh=3)
"""Less care than for one plan: hundreds of days are planned, and what matters stands at the ends of the queues."""
_CREDIT = 0.9
"""Share of a new plate's free room that lines still to come are taken to pay for."""


@dataclass(frozen=True, slots=True)
class Habits:
    """How the planner of the simulation works; the same in all scenarios that are compared."""

    rounds_a_day: int = 4
    """Search rounds on every planning day with new lines."""
    hold_cover: float = 0.35
    """A build is not begun while its plate is covered less than this share ..."""
    hold_slack_days: float = 9.0
    """... and every line on it would, begun today, be unloaded so many days before it is due (common practice, no
    source; 0 days: never held)."""
    hold_at_most_days: int = 3
    """No build is held longer."""
    ask_again_days: int = 5
    """A line that found no place on its day is asked about again on so many further planning days; then the customer
    has gone elsewhere (common practice, no source; 0: lost at once)."""


@dataclass(frozen=True, slots=True)
class BegunBuild:
    """A build of the simulation, as it stands at the end."""

    machine: int
    run_start: int
    """Minute."""
    run_h: float
    cents: int
    """Change of alloy, build and plate steps, carbon included."""
    cover: float
    """Share of the plate that pieces and their spacing take."""
    area_by_line: tuple[tuple[int, float], ...]


@dataclass(frozen=True, slots=True)
class Life:
    """What happened. Lines and machines by their index in the problem."""

    problem: Problem
    builds: tuple[BegunBuild, ...]
    arrivals: tuple[Delivered | None, ...]
    """By line: how it was delivered; None for lines nobody placed, on their day or when asked about again."""
    promised: tuple[int, ...]
    """By line: the day promised on acceptance (ordinal), 0 where nothing was promised."""


def live(scenario: Scenario, days: int, seed: int, habits: Habits | None = None) -> Life:
    """Live through a scenario whose lines are a stream from its ``now`` on; ``days`` planning days.

    Deterministic for a seed. What is planned but has not begun at the end counts as planned.
    """
    return _Living(Problem(scenario), seed, habits or Habits()).run(days)


class _Living:
    def __init__(self, problem: Problem, seed: int, habits: Habits) -> None:
        self.problem, self.seed, self.habits = problem, seed, habits
        arrays = compiled(problem)
        # Releases and the machines' first moments move with the clock: columns of this run's own.
        self.shop = arrays.shop
        self.draft = Draft(
            self.shop, arrays.rooms, sizes_for(self.shop), child_seed(seed, "draft") % (1 << 31), care=_CARE
        )
        self.received = np.array([to_minute(x.received_at) for x in problem.lines], dtype=np.int64)
        self.promised = [0] * len(problem.lines)
        self.first_due = np.array(problem.due_minute, dtype=np.int64)
        self.held_days: dict[int, int] = {}
        """Days a line's plate has been held."""
        self.refused: dict[int, int] = {}
        """Lines that found no place so far, and how many days they may still be asked about."""

    def run(self, days: int) -> Life:
        draft = self.draft
        draft.mine[:] = False
        order = np.argsort(self.received, kind="stable")
        next_line = 0
        for day in range(days):
            now = self._moment(day)
            following = self._moment(day + 1)
            self._clock(now)
            new: list[int] = []
            while next_line < len(order) and self.received[order[next_line]] <= now:
                new.append(int(order[next_line]))
                next_line += 1
            self._accept(new, now)
            if new and self.habits.rounds_a_day:
                self._improve(day)
            self._begin(following)
        return self._finish()

    def _moment(self, day: int) -> int:
        # The same wall-clock time every day, whatever summer time does.
        return to_minute(self.problem.network.now + timedelta(days=day))

    def _clock(self, now: int) -> None:
        """Nothing loose may begin, nor any change of alloy, before now."""
        draft, book, shop = self.draft, self.draft.book, self.shop
        begun = np.flatnonzero(draft.firm)
        ends, last = book.times["unload_end"], draft.firm[begun] - 1
        ends[begun, last] = np.maximum(ends[begun, last], now)
        idle = draft.firm == 0
        shop.machines["free_from"][idle] = np.maximum(shop.machines["free_from"][idle], now)
        position = np.arange(book.queues.shape[1])[None, :]
        plates = book.queues[(position >= draft.firm[:, None]) & (position < book.lengths[:, None])]
        book.plates["release"][plates] = np.maximum(book.plates["release"][plates], now)
        loose = draft.mine
        shop.lines["release"][loose] = np.maximum(shop.lines["release"][loose], now)

    def _accept(self, new: Sequence[int], now: int) -> None:
        draft, lines = self.draft, self.shop.lines
        for line in sorted([*new, *self.refused], key=lambda i: (int(lines[i]["due_day"]), i)):
            lines[line]["release"] = max(int(lines[line]["release"]), now)
            if not draft.buildable[line]:
                continue  # by nobody, on whatever day
            if not draft.insert(line, credit=_CREDIT) and not draft.insert(line):
                draft.roll_back()
                self._refuse(line)
                continue
            draft.commit()
            self.refused.pop(line, None)
            draft.mine[line] = True
            day = arrival(self.shop, draft.book, line)
            if day:
                self.promised[line] = max(int(lines[line]["due_day"]), day)

    def _refuse(self, line: int) -> None:
        """A line without a place is asked about again on the next planning day, or lost."""
        left = self.refused.pop(line, self.habits.ask_again_days)
        if left > 0:
            self.refused[line] = left - 1

    def _improve(self, day: int) -> None:
        rounds = self.habits.rounds_a_day
        Search(self.draft, child_seed(self.seed, "day", day), WorkLimit(rounds), lambda work: work / rounds).run()

    def _begin(self, following: int) -> None:
        """What begins before the next planning day is begun, or held where waiting for more is the habit."""
        draft, book = self.draft, self.draft.book
        for k in range(len(self.shop.machines)):
            while int(draft.firm[k]) < int(book.lengths[k]):
                position = int(draft.firm[k])
                if int(book.times[k, position]["begin"]) >= following:
                    break
                plate = int(book.queues[k, position])
                if self._waits(k, position, plate) and self._hold(k, plate, following):
                    break
                draft.firm[k] = position + 1
                for line, _, _ in draft.lines_on(plate):
                    draft.mine[line] = False

    def _waits(self, k: int, position: int, plate: int) -> bool:
        habits, book = self.habits, self.draft.book
        if habits.hold_slack_days <= 0:
            return False
        area = float(self.shop.machines[k]["area_mm2"])
        if float(book.plates[plate]["area_mm2"]) >= habits.hold_cover * area:
            return False
        done = int(book.times[k, position]["unload_end"])
        for line, _, _ in self.draft.lines_on(plate):
            if self.held_days.get(line, 0) >= habits.hold_at_most_days:
                return False
            if int(self.first_due[line]) - done < habits.hold_slack_days * DAY_MIN:
                return False
        return True

    def _hold(self, k: int, plate: int, following: int) -> bool:
        """Begin a build, and all behind it, no sooner than the next planning day; False when that cannot be."""
        draft, book = self.draft, self.draft.book
        queue = book.queues[k, : book.lengths[k]].copy()
        behind = {line for other in draft.loose(k) for line, _, _ in draft.lines_on(int(other))}
        before = {line: self._arrives(line) for line in behind}
        was = int(book.plates[plate]["release"])
        book.plates[plate]["release"] = max(was, following)
        # What stands behind it waits too: nobody is held so long that a promise is broken by it.
        if not self._retime(k, queue) or any(
            self._arrives(line) > max(self.promised[line], before[line]) for line in behind
        ):
            book.plates[plate]["release"] = was
            self._retime(k, queue)
            return False
        for line, _, _ in draft.lines_on(plate):
            self.held_days[line] = self.held_days.get(line, 0) + 1
        return True

    def _arrives(self, line: int) -> int:
        """The day a line would arrive as everything stands (ordinal); 0 when nothing takes it."""
        return int(arrival(self.shop, self.draft.book, line))

    def _retime(self, k: int, queue: np.ndarray[tuple[int], np.dtype[np.int64]]) -> bool:
        """False when a build has no times any more or a line of it no delivery: no line whose queue fits has day 0."""
        head = int(self.draft.firm[k])
        set_queue(self.shop, self.draft.book, k, queue, head)
        return bool(set_queue(self.shop, self.draft.book, k, queue, len(queue)))

    def _finish(self) -> Life:
        draft, book = self.draft, self.draft.book
        builds = []
        for k in range(len(self.shop.machines)):
            area = float(self.shop.machines[k]["area_mm2"])
            for position, plate in enumerate(draft.queue(k)):
                times, row = book.times[k, position], book.plates[plate]
                by_line = tuple(
                    (line, pieces * float(self.shop.variants[variant]["area_mm2"]))
                    for line, variant, pieces in draft.lines_on(plate)
                )
                builds.append(
                    BegunBuild(
                        k,
                        int(times["run"]),
                        int(row["run_min"]) / 60,
                        int(times["cents"]),
                        float(row["area_mm2"]) / area,
                        by_line,
                    )
                )
        arrivals = tuple(
            delivered(self.shop, book, line) if draft.placed(line) else None for line in range(len(self.promised))
        )
        return Life(self.problem, tuple(builds), arrivals, tuple(self.promised))
