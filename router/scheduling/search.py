"""Large-neighbourhood search over a draft: take related pieces out, put them back better, keep what pays.

After Ropke & Pisinger (2006), *Transportation Science* 40(4), and Christiaens & Vanden Berghe (2020), *Transportation
Science* 54(2) (small removals, greedy insertion with blinks), with acceptance by simulated annealing. The
neighbourhoods are those of a print shop: a plate, its neighbours in the same powder, what is late, one machine's week.
"""

from __future__ import annotations

import math
import random
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from router.kernel.faults import CalledOff
from router.kernel.run import Listener, Progress, Silent, Stop
from router.scheduling.draft import Care, Draft

_MISSING_CHANCE = 0.3
"""Share of rounds spent on lines that are on no plate, while there are any."""
_MANY_LOTS = 2
"""Of a line on more plates than this, so many lots are taken out at a time."""
_FIRST_CREDIT = 0.95
"""Share of a new plate's free room that lines still to come are taken to pay for while the first plan is made."""
_FIRST_POSITIONS, _FIRST_DEPTH = 4, 16
"""Positions for new plates and plates to join, from the ends of the queues, while the first plan is made."""
_HASTY_LINES = 3_000
"""Beyond so many lines the first plan is made with less care: to be there soon matters more."""
MANY_LINES = 200
"""Beyond so many lines rounds are smaller, and more places are tried for each line."""
_QUICK_FROM = 500
"""From so many lines the careful first plan takes long enough for a quick one before it."""
_SECOND_PLAN_SIZE = 2_000
"""Lines x machines up to which a second first plan is worth its time; a count, so that equal seeds give equal plans."""
_RISE_PACE = 0.02
"""How fast the typical rise follows the latest ones."""
_CAMPAIGN = 6
"""Most plates that are moved together."""
_TIDY_LOTS = 6
"""Lines on more plates than this are not moved as a whole at the end."""


@dataclass(frozen=True, slots=True)
class Knobs:
    """How the search behaves."""

    start_heat: float = 0.3
    """Annealing temperature at the start, as a share of what a round that makes the plan dearer typically costs."""
    end_heat: float = 0.02
    hot_lines: int = 30
    """Beyond so many lines the search is cooler in proportion to their number: rounds a line are fewer."""
    blink: float = 0.05
    """Chance of overlooking a place at insertion."""
    credits: tuple[float, ...] = (0.5, 0.9, 0.95)
    """Shares of a new plate's free room that lines still to be put back are taken to pay for; drawn each round."""
    largest_removal: int = 14
    """Most lines taken out at once by the line-wise neighbourhoods ..."""
    largest_of_many: int = 5
    """... and on a book of many lines, where a smaller round pays more in the same time."""


@dataclass
class Log:
    """What happened: incumbents, and how often each neighbourhood was tried and paid."""

    trace: list[tuple[int, int]] = field(default_factory=list)
    """(rounds, cents) at each better plan."""
    tried: dict[str, int] = field(default_factory=dict)
    paid: dict[str, int] = field(default_factory=dict)
    work: int = 0
    stop_reason: str = ""


def first_plan(draft: Draft, listener: Listener | None = None) -> None:
    """Insert every line that misses pieces: by due date, scarce ones first; each at its cheapest place.

    On a small shop a second plan that only adds to the ends of queues is made as well, and the better one kept.
    """
    careful = draft.care
    # Lines come by due date: what they can join stands near the ends of the queues.
    if len(draft.quantity) > _HASTY_LINES:
        draft.care = _hasty(careful)
    else:
        draft.care = replace(careful, positions=_FIRST_POSITIONS, depth=_FIRST_DEPTH)
    try:
        _insert_all(draft, listener or Silent())
        if len(draft.quantity) * len(draft.site) <= _SECOND_PLAN_SIZE:
            draft.care = replace(careful, positions=1, depth=1)
            make_again(draft, lambda: _insert_all(draft, Silent()))
    finally:
        draft.care = careful


def make_again(draft: Draft, make: Callable[[], None]) -> None:
    """Make the plan from nothing in another way; what stood stays where that is worse, or is called off."""
    kept, was = draft.unload(), (draft.missing, draft.cents)
    draft.load([[] for _ in kept])
    try:
        make()
    except CalledOff:
        draft.load(kept)
    else:
        if (draft.missing, draft.cents) > was:
            draft.load(kept)


def worth_a_quick_plan(draft: Draft) -> bool:
    """Whether the first plan is made with care and takes so long for it that a quick one should be there before."""
    return _QUICK_FROM <= len(draft.quantity) <= _HASTY_LINES


def quick_plan(draft: Draft, listener: Listener | None = None) -> None:
    """The first plan with the care of a large book."""
    careful = draft.care
    draft.care = _hasty(careful)
    try:
        _insert_all(draft, listener or Silent())
    finally:
        draft.care = careful


def _hasty(care: Care) -> Care:
    return replace(care, positions=2, depth=8, tries=2, joins=8, fresh=2)


def _insert_all(draft: Draft, listener: Listener) -> None:
    shop = draft.shop
    sites = (shop.gates["open"] > 0).sum(axis=1)
    due = shop.lines["due_day"]
    order = [int(i) for i in np.lexsort((np.arange(len(due)), due, -shop.lines["quantity"], sites, due // 7))]
    for done, line in enumerate(order, start=1):
        listener.step(done)
        if not draft.buildable[line] or draft.placed(line) == draft.quantity[line]:
            continue
        if not draft.insert(line, credit=_FIRST_CREDIT) and not draft.insert(line):
            draft.roll_back()
        draft.commit()


def fill_gaps(draft: Draft, listener: Listener | None = None) -> None:
    """Insert what is missing wherever it finds a place."""
    _insert_all(draft, listener or Silent())


def tidy(draft: Draft, until: float | None = None, listener: Listener | None = None) -> None:
    """Move each line by itself to its best place where that makes the plan cheaper; stops at ``until`` (monotonic)."""
    listener = listener or Silent()
    for line in range(len(draft.quantity)):
        if until is not None and time.monotonic() > until:
            return
        listener.step(line + 1)
        pairs = [(line, plate) for plate in draft.plates_of(line)] if draft.mine[line] else []
        if not pairs or len(pairs) > _TIDY_LOTS:
            continue
        before = (draft.missing, draft.cents)
        if draft.remove(pairs) and draft.insert(line) and (draft.missing, draft.cents) < before:
            draft.commit()
        else:
            draft.roll_back()


class Search:
    """One run of the search over a draft that already holds a plan."""

    def __init__(
        self,
        draft: Draft,
        seed: int,
        stop: Stop,
        fraction: Callable[[int], float],
        bound: float | None = None,
        listener: Listener | None = None,
        on_better: Callable[[int, int], None] | None = None,
        knobs: Knobs | None = None,
    ) -> None:
        """``fraction(work)`` says how much of the budget is used, 0 to 1; ``on_better`` hears (rounds, cents)."""
        self.draft = draft
        self.rng = random.Random(seed)
        self.stop = stop
        self.fraction = fraction
        self.bound = bound
        self.listener = listener or Silent()
        self.on_better = on_better
        self.knobs = knobs or Knobs()
        self.largest = self.knobs.largest_of_many if len(draft.quantity) > MANY_LINES else self.knobs.largest_removal
        self.log = Log()
        self._log_rise = 0.0
        self._rises = 0
        shop = draft.shop
        self.due = shop.lines["due_day"].astype(float)
        self.place = shop.lines["place"]
        self.bulk = draft.bulk
        self.able = np.array(draft.buildable, dtype=bool) & draft.mine
        self.quantity = shop.lines["quantity"]
        self.places_open = (shop.gates["open"] > 0).sum(axis=1)
        powder = shop.lines["powder"]
        self.same_powder = {int(g): np.flatnonzero((powder == g) & draft.mine) for g in np.unique(powder)}
        self.candidates = np.flatnonzero(draft.mine).tolist()
        self.moves: list[tuple[str, float, Callable[[], bool]]] = [
            ("related lines", 3.0, self._related_lines),
            ("one plate", 2.0, self._one_plate),
            ("two plates", 1.5, self._two_plates),
            ("late lines", 2.0, self._late_lines),
            ("machine stretch", 1.0, self._machine_stretch),
            ("move a plate", 2.0, self._move_plate),
            ("thin plate", 2.0, self._thin_plate),
            ("make room", 2.0, self._make_room),
            ("move a campaign", 0.5, self._move_campaign),
        ]
        if (self.quantity[self.candidates] > 1).any():
            self.moves.append(("part a line", 0.5, self._part_a_line))

    def run(self) -> Log:
        """Search until a stop rule speaks; the draft then holds the best plan met."""
        draft, log = self.draft, self.log
        best = draft.snapshot()
        best_cents, fewest = draft.cents, draft.missing
        since_better = 0
        weights = [m[1] for m in self.moves]
        while True:
            reason = self.stop.reason(Progress(log.work, since_better, best_cents, self.bound if fewest == 0 else None))
            if reason is not None:
                log.stop_reason = reason
                break
            log.work += 1
            since_better += 1
            if log.work % 16 == 0:
                self.listener.step(log.work)
            if not self.candidates or not draft.loose_counts().any():
                log.stop_reason = "nothing to plan"
                break
            missing = draft.missing
            name, _, move = self.rng.choices(self.moves, weights)[0]
            if missing and self.rng.random() < _MISSING_CHANCE and len(self._lost()):
                name, move = "missing lines", self._missing_lines
            log.tried[name] = log.tried.get(name, 0) + 1
            before = draft.cents
            if not move():
                draft.roll_back()
                continue
            rise = draft.cents - before
            heat = self._temperature(rise)
            if draft.missing > missing or (
                draft.missing == missing and rise > 0 and self.rng.random() >= math.exp(-rise / heat)
            ):
                draft.roll_back()
                continue
            if (draft.missing, draft.cents) < (fewest, best_cents):
                fewest, best_cents = draft.missing, draft.cents
                log.paid[name] = log.paid.get(name, 0) + 1
                since_better = 0
                draft.commit()
                best = draft.snapshot()
                self._record(best_cents)
            else:
                draft.commit()
        draft.restore(best)
        return log

    def _temperature(self, rise: int) -> float:
        if rise > 0:
            # The geometric mean of the latest rises: a few absurd ones must not set the scale.
            pace = max(_RISE_PACE, 1.0 / (1 + self._rises))
            self._rises += 1
            self._log_rise += pace * (math.log(rise) - self._log_rise)
        used = min(1.0, self.fraction(self.log.work))
        first, last = self.knobs.start_heat, self.knobs.end_heat
        cooler = self.knobs.hot_lines / max(self.knobs.hot_lines, len(self.due))
        return float(cooler * first * (last / first) ** used * math.exp(self._log_rise))

    def _record(self, cents: int) -> None:
        self.log.trace.append((self.log.work, cents))
        if self.on_better is not None:
            self.on_better(self.log.work, cents)

    # --- neighbourhoods: each changes the draft, or returns False (and the round is rolled back) ---------------

    def _reinsert(self, pairs: list[tuple[int, int]]) -> bool:
        lines = list(dict.fromkeys(line for line, _ in pairs))
        if not pairs or not self.draft.remove(pairs):
            return False
        way = self.rng.randrange(4)
        if way == 0:
            self.rng.shuffle(lines)
        elif way == 1:
            lines.sort(key=lambda i: (self.due[i], i))
        elif way == 2:
            lines.sort(key=lambda i: (-self.bulk[i], i))
        else:
            lines.sort(key=lambda i: (self.places_open[i], -self.bulk[i], i))
        credit = self.rng.choice(self.knobs.credits)
        last = len(lines) - 1
        return all(
            self.draft.insert(line, self.knobs.blink, credit if n < last else 0.0) for n, line in enumerate(lines)
        )

    def _whole_lines(self, lines: list[int]) -> list[tuple[int, int]]:
        """The lots of lines; of a line on many plates a few in a row, so that a round stays small."""
        pairs = []
        for line in lines:
            plates = self.draft.plates_of(line)
            if len(plates) > _MANY_LOTS:
                start = self.rng.randrange(len(plates) - _MANY_LOTS + 1)
                plates = plates[start : start + _MANY_LOTS]
            pairs += [(line, plate) for plate in plates]
        return pairs

    def _whole_plates(self, plates: list[int]) -> list[tuple[int, int]]:
        mine = self.draft.mine
        return [(line, plate) for plate in plates for line, _, _ in self.draft.lines_on(plate) if mine[line]]

    def _related_lines(self) -> bool:
        """A line and others that could share its powder, nearest in due date and place."""
        seed = int(self.rng.choice(self.candidates))
        if self.draft.placed(seed) == 0:
            return False
        mates = self.same_powder[int(self.draft.shop.lines[seed]["powder"])]
        if len(mates) > 200:
            mates = np.append(mates[np.array(self.rng.sample(range(len(mates)), 200))], seed)
        noise = np.array([self.rng.random() for _ in range(len(mates))])
        far = np.abs(self.due[mates] - self.due[seed]) / 10 + 2.0 * (self.place[mates] != self.place[seed]) + 3 * noise
        far[mates == seed] = -1.0
        size = 1 + int(self.rng.random() ** 2 * self.largest)
        chosen = mates[np.argsort(far, kind="stable")[:size]].tolist()
        return self._reinsert(self._whole_lines(list(dict.fromkeys(chosen))))

    def _one_plate(self) -> bool:
        return self._reinsert(self._whole_plates([self._random_plate()]))

    def _two_plates(self) -> bool:
        """Two plates of the same powder, so that they can be made one or share better."""
        first = self._random_plate()
        plates = self.draft.book.plates
        same = np.flatnonzero((plates["position"] >= 0) & (plates["powder"] == plates[first]["powder"])).tolist()
        draft = self.draft
        others = [
            p
            for p in same
            if p != first and draft.open[k := int(plates[p]["machine"])] and int(plates[p]["position"]) >= draft.firm[k]
        ]
        if not others:
            return False
        return self._reinsert(self._whole_plates([first, self.rng.choice(others)]))

    def _thin_plate(self) -> bool:
        """The least covered of a few plates."""
        area = self.draft.book.plates["area_mm2"]
        few = [self._random_plate() for _ in range(5)]
        return self._reinsert(self._whole_plates([min(few, key=lambda p: (float(area[p]), p))]))

    def _late_lines(self) -> bool:
        """Some late lines, with a plate ahead of them on the same machine."""
        draft = self.draft
        late = np.flatnonzero((draft.book.standing["late"] > 0) & draft.mine).tolist()
        if not late:
            return False
        chosen = self.rng.sample(late, min(len(late), 1 + self.rng.randrange(3)))
        pairs = dict.fromkeys(self._whole_lines(chosen))
        plates = draft.plates_of(chosen[0])
        if plates and self.rng.random() < 0.5:
            row = draft.book.plates[self.rng.choice(plates)]
            k = int(row["machine"])
            ahead = draft.loose(k)[: max(0, int(row["position"]) - int(draft.firm[k]))]
            if ahead:
                pairs.update(dict.fromkeys(self._whole_plates([self.rng.choice(ahead)])))
        return self._reinsert(list(pairs))

    def _machine_stretch(self) -> bool:
        """Two or three plates in a row on one machine."""
        queue = self.draft.loose(self._busy_machine())
        length = min(len(queue), 2 + self.rng.randrange(2))
        start = self.rng.randrange(len(queue) - length + 1)
        pairs = self._whole_plates(queue[start : start + length])
        if len(pairs) > 3 * self.largest:
            return False
        return self._reinsert(pairs)

    def _lost(self) -> npt.NDArray[np.int64]:
        """Lines this search may move that miss pieces."""
        return np.flatnonzero(self.able & (self.draft.book.standing["pieces"] < self.quantity))

    def _missing_lines(self) -> bool:
        """A line that is on no plate goes in first; what stands in its way is put back after it."""
        draft = self.draft
        line = int(self.rng.choice(self._lost().tolist()))
        if self.rng.random() < 0.5:
            return self._room_made_for(line, set())
        queue = draft.loose(self._busy_machine())
        start = self.rng.randrange(len(queue))
        pairs = self._whole_plates(queue[start : start + 1 + self.rng.randrange(3)])
        if not draft.remove(pairs) or not draft.insert(line):
            return False
        self._put_back(dict.fromkeys(i for i, _ in pairs))
        return True

    def _move_plate(self) -> bool:
        return self.draft.move([self._random_plate()])

    def _move_campaign(self) -> bool:
        """A few plates of one alloy that follow one another go elsewhere together."""
        draft = self.draft
        queue = draft.loose(self._busy_machine())
        alloys = draft.shop.alloy_of[draft.book.plates["powder"][queue]]
        at = self.rng.randrange(len(queue))
        first = last = at
        while first > 0 and alloys[first - 1] == alloys[at] and at - first + 1 < _CAMPAIGN:
            first -= 1
        while last + 1 < len(queue) and alloys[last + 1] == alloys[at] and last - first + 1 < _CAMPAIGN:
            last += 1
        return draft.move(queue[first : last + 1])

    def _make_room(self) -> bool:
        """A line goes onto a plate that would suit it and is too full; what has to leave there is put back after it."""
        line = int(self.rng.choice(self.candidates))
        pairs = self._whole_lines([line])
        return bool(pairs) and self.draft.remove(pairs) and self._room_made_for(line, {plate for _, plate in pairs})

    def _room_made_for(self, line: int, was: set[int]) -> bool:
        """Place missing pieces of a line where others have to leave; not on the plates they were on."""
        draft = self.draft
        wished = [(plate, lacks) for plate, lacks in draft.wished(line) if plate not in was]
        if not wished:
            return False
        plate, lacks = wished[int(len(wished) * self.rng.random() ** 2)]
        on = [(other, many) for other, _, many in draft.lines_on(plate) if draft.mine[other] and other != line]
        self.rng.shuffle(on)
        leaving: list[tuple[int, int]] = []
        area = {other: self.bulk[other] * many / max(1, int(self.quantity[other])) for other, many in on}
        for other, _ in sorted(on, key=lambda x: area[x[0]] < lacks)[: self.largest]:
            if lacks <= 0 and leaving:
                break
            leaving.append((other, plate))
            lacks -= area[other]
        machine = int(draft.book.plates[plate]["machine"])
        if not leaving or not draft.remove(leaving) or not draft.insert_at(line, [machine]):
            return False
        if not draft.insert(line):
            return False
        self._put_back(other for other, _ in leaving)
        return True

    def _put_back(self, lines: Iterable[int]) -> None:
        """Insert lines; what finds no place any more is missing, and the count of the missing decides."""
        for line in lines:
            mark = len(self.draft.journal)
            if not self.draft.insert(line, self.knobs.blink):
                self.draft.roll_back(mark)

    def _part_a_line(self) -> bool:
        """A line of several pieces in smaller lots than would find room, so that more machines build it at once."""
        draft = self.draft
        line = int(self.rng.choice(self.candidates))
        pieces = int(self.quantity[line])
        pairs = [(line, plate) for plate in draft.plates_of(line)]
        if pieces < 2 or not pairs or len(pairs) > _TIDY_LOTS or not draft.remove(pairs):
            return False
        lots = 2 + self.rng.randrange(2)
        most = max(1, -(-pieces // lots))
        if self.rng.random() < 0.5:
            return draft.insert(line, self.knobs.blink, most=most)
        # The second lot elsewhere than the first: at the first's plate it would often seem cheaper still.
        if not draft.insert_at(line, range(len(draft.site)), most):
            return False
        taken = {int(draft.book.plates[p]["machine"]) for p in draft.plates_of(line)}
        return draft.insert_at(line, [k for k in range(len(draft.site)) if k not in taken], most) and draft.insert(line)

    def _busy_machine(self) -> int:
        return int(self.rng.choice(np.flatnonzero(self.draft.loose_counts() > 0).tolist()))

    def _random_plate(self) -> int:
        lengths = self.draft.loose_counts()
        pick = self.rng.randrange(int(lengths.sum()))
        ends = np.cumsum(lengths)
        k = int(np.searchsorted(ends, pick, side="right"))
        return int(self.draft.book.queues[k, int(self.draft.firm[k]) + pick - (int(ends[k]) - int(lengths[k]))])
