"""A plan being worked on: shop, book and the contents of every plate, with the changes a search makes, undoable."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from router.scheduling.book import (
    PLATE,
    TIMES,
    Book,
    free_plate,
    new_book,
    plate_on,
    plate_with,
    plate_without,
    set_queue,
)
from router.scheduling.offers import (
    ASK,
    PLACE,
    price_place,
    price_queue,
    queue_with,
    rank_places,
    seed_kernels,
    smallest_lot,
)
from router.scheduling.rooms import COUPON, Held, Rooms
from router.scheduling.shop import NEVER, Row, Rows, Shop

_SPARE_PLATES = 200
"""Unused rows of the plate table below which nothing more is taken apart."""
_HOPELESS_FACTOR, _HOPELESS_CENTS = 1.5, 10_000
"""A place whose estimate is above best x factor + cents is not tried for real."""

_NOT_NESTED = 0.5
"""A place whose price alone speaks against it counts as this share of one tried for real."""


@dataclass(frozen=True, slots=True)
class Care:
    """How carefully places are looked for."""

    joins: int = 24
    """Places on plates that are kept, best estimates first; a plate has one for each variant."""
    fresh: int = 4
    """Places for a new plate kept, best estimates first."""
    tries: int = 3
    """Places tried for real."""
    positions: int = 40
    """Positions of a queue looked at for a new plate, from its end."""
    depth: int = 100
    """Plates of a queue that may be joined, from its end."""
    cover: float = 0.80
    """Share of a plate that estimates count on."""


@dataclass(frozen=True, slots=True)
class Sizes:
    """Room in the tables."""

    plates: int
    longest_queue: int
    width: int = 48


class _Trial(NamedTuple):
    """A place tried for a line's pieces."""

    cents: float
    """What the plan's cost rises by, pieces left over roughly priced."""
    place: Row
    made: int
    """The plate with the pieces, in no queue yet; -1 when the place does not win."""
    held: Held


Plan = list[list[tuple[list[tuple[int, int, int]], Held]]]
"""A plan by value: for each machine its plates in order, each as (line, variant, pieces) and its contents."""


class Draft:
    """A plan and the only ways to change it. Every change is journalled until ``commit`` or ``roll_back``."""

    def __init__(self, shop: Shop, rooms: Rooms, sizes: Sizes, seed: int = 0, care: Care | None = None) -> None:
        self.shop = shop
        self.rooms = rooms
        self.care = care or Care()
        self.book: Book = new_book(shop, sizes.plates, sizes.longest_queue, sizes.width)
        self.held: list[Held] = [None] * sizes.plates
        self.sizes = sizes
        self.open = np.ones(len(shop.machines), dtype=bool)
        """Machines that may be changed."""
        self.firm = np.zeros(len(shop.machines), dtype=np.int64)
        """By machine: so many plates at the front of its queue stay as they are, and in front."""
        self.mine = np.ones(len(shop.lines), dtype=bool)
        """Lines that may be moved."""
        self.journal: list[tuple[int, npt.NDArray[np.int64]]] = []
        self._made: list[int] = []
        self._ask = np.zeros(1, dtype=ASK)
        self._found = np.zeros(self.care.joins, dtype=PLACE)
        self._fresh = np.zeros(self.care.fresh, dtype=PLACE)
        self.refused: list[frozenset[int]] = [frozenset()] * sizes.plates
        self._scratch = (np.zeros(1, dtype=PLATE), np.zeros(1, dtype=TIMES), np.zeros(1, dtype=PLACE))
        self._queue = np.zeros(sizes.longest_queue + 2, dtype=np.int64)
        self._old = np.zeros(sizes.longest_queue + 2, dtype=np.int64)
        self.quantity: list[int] = shop.lines["quantity"].tolist()
        self.may_split: list[bool] = (shop.lines["may_split"] > 0).tolist()
        self.own_coupons: list[int] = shop.lines["coupons"].tolist()
        self.site: list[int] = shop.machines["site"].tolist()
        self.plate_class: list[int] = shop.machines["plate"].tolist()
        self.shape: list[int] = shop.variants["shape"].tolist()
        self.full: list[int] = shop.variants["full"].tolist()
        self.buildable: list[bool] = buildable(shop).tolist()
        self._wanted: int = sum(q for q, ok in zip(self.quantity, self.buildable, strict=True) if ok)
        self.bulk = _bulk(shop)
        """(L,) plate area a whole line takes in its first variant anywhere."""
        seed_kernels(seed)

    # --- reading ---------------------------------------------------------------------------------------------

    @property
    def cents(self) -> int:
        """Landed cost of the plan as it stands."""
        return int(self.book.sums[0]["cents"])

    @property
    def missing(self) -> int:
        """Pieces of lines somebody can build that stand on no plate."""
        return self._wanted - int(self.book.sums[0]["placed"])

    def queue(self, k: int) -> list[int]:
        """Plates of a machine in order."""
        found: list[int] = self.book.queues[k, : self.book.lengths[k]].tolist()
        return found

    def loose(self, k: int) -> list[int]:
        """Plates of a machine that may be changed, in order."""
        found: list[int] = self.book.queues[k, self.firm[k] : self.book.lengths[k]].tolist() if self.open[k] else []
        return found

    def loose_counts(self) -> npt.NDArray[np.int64]:
        """(K,) how many plates of each machine may be changed."""
        counts: npt.NDArray[np.int64] = (self.book.lengths - self.firm) * self.open
        return counts

    def lines_on(self, plate: int) -> list[tuple[int, int, int]]:
        """(line, variant, pieces) of a plate."""
        rows: list[list[int]] = self.book.items[plate, : self.book.plates[plate]["count"]].tolist()
        return [(a, b, c) for a, b, c in rows]

    def plates_of(self, line: int) -> list[int]:
        """Plates a line stands on."""
        row = self.book.standing[line]
        first = int(row["first"])
        found: list[int] = self.book.lots["plate"][first : first + int(row["lots"])].tolist()
        return found

    def placed(self, line: int) -> int:
        """Pieces of a line that stand on plates."""
        return int(self.book.standing[line]["pieces"])

    # --- changing --------------------------------------------------------------------------------------------

    def insert(self, line: int, blink: float = 0.0, credit: float = 0.0, most: int = 0) -> bool:
        """Place every missing piece of a line; False (the caller rolls back) when some find no place.

        ``credit``: share of a new plate's free room that lines still to come are taken to pay for; ``most``: pieces
        placed at a time, 0 for as many as find room.
        """
        while (missing := self.quantity[line] - self.placed(line)) > 0:
            if not self._insert_some(line, min(missing, most) if most else missing, blink, credit):
                return False
        return True

    def insert_at(self, line: int, machines: Iterable[int], pieces: int = 0) -> bool:
        """Place one lot of a line's missing pieces, at most ``pieces`` (0: no limit), on one of some machines."""
        was = self.open
        self.open = np.zeros_like(was)
        chosen = list(machines)
        self.open[chosen] = was[chosen]
        missing = self.quantity[line] - self.placed(line)
        done = missing > 0 and self._insert_some(line, min(missing, pieces) if pieces else missing, 0.0, 0.0)
        self.open = was
        return done

    def wished(self, line: int) -> list[tuple[int, float]]:
        """Plates a line's missing pieces would cost least on if what stands there made room, and the area they lack."""
        self._put(line, self.quantity[line] - self.placed(line), 0.0, 0.0)
        self._ask[0]["over"] = 1
        n, _ = rank_places(
            self.shop, self.book, self.open, self.firm, self._ask, self._scratch, self._found, self._fresh
        )
        found: dict[int, float] = {}
        for place in self._found[:n]:
            plate, variant = int(place["plate"]), self.shop.variants[int(place["variant"])]
            room = float(self.shop.machines[int(place["machine"])]["area_mm2"]) * self.care.cover
            lacks = int(place["pieces"]) * float(variant["area_mm2"]) + float(self.book.plates[plate]["area_mm2"])
            found.setdefault(plate, lacks - room)
        return list(found.items())

    def _put(self, line: int, missing: int, blink: float, credit: float) -> None:
        """Write a request into ``_ask``."""
        site = -1
        if not self.may_split[line] and (plates := self.plates_of(line)):
            site = self.site[int(self.book.plates[plates[0]]["machine"])]
        ask = self._ask[0]
        ask["line"], ask["missing"], ask["cover"], ask["blink"] = line, missing, self.care.cover, blink
        ask["depth"], ask["over"] = self.care.depth, 0
        ask["positions"], ask["only_site"], ask["credit"] = self.care.positions, site, credit

    def _insert_some(self, line: int, missing: int, blink: float, credit: float) -> bool:
        self._put(line, missing, blink, credit)
        ask = self._ask[0]
        if self._place_best(line, missing, self._found[: self.care.joins], self._fresh[: self.care.fresh]):
            return True
        # All of the few best failed: a long list.
        ask["blink"] = 0.0
        ask["positions"] = ask["depth"] = self.sizes.longest_queue
        many = len(self.site) * len(self._fresh)
        return self._place_best(line, missing, np.zeros(many, dtype=PLACE), np.zeros(many, dtype=PLACE))

    def _place_best(self, line: int, missing: int, joins: Rows, fresh: Rows) -> bool:
        """Rank places for the request in ``_ask``, try the best for real, take the best of these."""
        n, m = rank_places(self.shop, self.book, self.open, self.firm, self._ask, self._scratch, joins, fresh)
        estimates = np.concatenate((joins["cents"][:n], fresh["cents"][:m]))
        best: _Trial | None = None
        tried = 0.0
        for at in np.argsort(estimates, kind="stable").tolist():
            place = joins[at] if at < n else fresh[at - n]
            figures = place.item()
            if best is not None and (tried >= self.care.tries or hopeless(figures[0], best.cents)):
                break
            trial = self._try(place, figures, line, missing, math.inf if best is None else best.cents)
            if trial is None:
                continue
            tried += 1.0 if trial.made >= 0 else _NOT_NESTED
            if trial.made >= 0:
                if best is not None:
                    free_plate(self.book, best.made)
                best = trial
        if best is None:
            return False
        k, plate = int(best.place["machine"]), int(best.place["plate"])
        self._made.append(best.made)
        self.held[best.made] = best.held
        self.refused[best.made] = self.refused[plate] if plate >= 0 else frozenset()
        length = queue_with(self.book, k, int(best.place["position"]), plate, best.made, self._queue)
        return self._apply(k, self._queue[:length])

    def _try(self, place: Row, figures: tuple[Any, ...], line: int, missing: int, beat_cents: float) -> _Trial | None:
        """A place with its pieces nested and its price; plate -1 when it costs ``beat_cents`` or more, None when it
        cannot be.

        Nesting is the dear part: a place that would not win with the pieces that likely fit is not nested.
        """
        _, k, variant, plate, _, likely, *costs = figures
        least = 1
        if plate >= 0:
            least = min(missing, smallest_lot(self.quantity[line], self.full[variant]))
            most = self.rooms.known_most(self.held[plate], self.shape[variant])
            if most is not None and most < least:
                return None
            likely = likely if most is None else min(likely, most)
        trial = None
        if beat_cents < math.inf:
            trial = self._priced(place, costs, line, missing, likely, beat_cents)
            if trial is None or trial.made < 0:
                return trial
        outcome = self._room(line, k, variant, plate, missing)
        held, placed = outcome if outcome is not None else (None, 0)
        if trial is not None and (placed != likely or placed < least):
            free_plate(self.book, trial.made)
            trial = None
        if placed < least:
            return None
        if trial is None:
            trial = self._priced(place, costs, line, missing, placed, beat_cents)
        return trial if trial is None or trial.made < 0 else trial._replace(held=held)

    def _priced(
        self, place: Row, costs: Sequence[float], line: int, missing: int, pieces: int, beat_cents: float
    ) -> _Trial | None:
        """So many pieces at a place, not nested yet; plate -1 when they cost ``beat_cents`` or more, None when they
        cannot stand there. ``costs``: the last three figures of the place."""
        rest, once, credit = costs
        made, rise = price_place(self.shop, self.book, place, line, pieces, self._queue, self._old)
        if made < 0:
            return None
        cents = rise - credit
        if missing > pieces:
            cents += rest * (missing - pieces) + once
        if cents >= beat_cents:
            free_plate(self.book, made)
            made = -1
        return _Trial(cents, place, made, None)

    def _room(self, line: int, k: int, variant: int, plate: int, missing: int) -> tuple[Held, int] | None:
        """The plate's contents with as many pieces as find room beside the coupons; None when none does."""
        kind = self.plate_class[k]
        held = self.rooms.empty(kind) if plate < 0 else self.held[plate]
        coupons = self.own_coupons[line]
        if plate >= 0 and coupons:
            coupons -= int(self.book.plates[plate]["coupons"])
        if coupons > 0:
            held, placed = self.rooms.more(held, kind, COUPON, coupons)
            if placed < coupons:
                return None
        shape = self.shape[variant]
        bare = plate >= 0 and coupons <= 0
        if bare and shape in self.refused[plate]:
            return None
        held, placed = self.rooms.more(held, kind, shape, missing)
        if plate < 0 and (placed < min(missing, self.full[variant]) or placed > self.full[variant]):
            self.full[variant] = placed
            self.shop.variants[variant]["full"] = placed
        if placed == 0 and bare:
            self.refused[plate] |= {shape}
            area = float(self.shop.variants[variant]["area_mm2"])
            self.book.plates[plate]["refused_mm2"] = min(area, float(self.book.plates[plate]["refused_mm2"]))
        return (held, placed) if placed > 0 else None

    def remove(self, pairs: Iterable[tuple[int, int]]) -> bool:
        """Take (line, plate) pairs off; plates left empty go. False (roll back) when a machine cannot run the rest."""
        if int(self.book.sums[0]["free"]) < _SPARE_PLATES:
            return False
        lines_of: dict[int, set[int]] = {}
        for line, plate in pairs:
            lines_of.setdefault(plate, set()).add(line)
        by_machine: dict[int, dict[int, int]] = {}
        for plate, lines in lines_of.items():
            by_machine.setdefault(int(self.book.plates[plate]["machine"]), {})[plate] = self._without(plate, lines)
        for k, changed in by_machine.items():
            queue = [changed.get(p, p) for p in self.queue(k)]
            if not self._apply(k, np.array([p for p in queue if p >= 0], dtype=np.int64)):
                return False
        return True

    def _without(self, plate: int, lines: set[int]) -> int:
        """A plate without some of its lines; -1 when nothing is left."""
        on = self.lines_on(plate)
        if all(line in lines for line, _, _ in on):
            return -1
        now = plate
        drop: dict[int, int] = {}
        for line, variant, pieces in on:
            if line in lines:
                fewer = plate_without(self.shop, self.book, now, line)
                if now != plate:
                    free_plate(self.book, now)
                now = fewer
                drop[self.shape[variant]] = drop.get(self.shape[variant], 0) + pieces
        spare = int(self.book.plates[plate]["coupons"]) - int(self.book.plates[now]["coupons"])
        if spare > 0:
            drop[COUPON] = spare
        self.held[now] = self.rooms.less(
            self.held[plate], self.plate_class[int(self.book.plates[now]["machine"])], drop
        )
        self.refused[now] = frozenset()
        self._made.append(now)
        return now

    def move(self, block: Sequence[int], limit: int = 40) -> bool:
        """Move plates that follow one another to the best place found on any machine with the same plate, in their
        order. True when they moved."""
        home = int(self.book.plates[block[0]]["machine"])
        mark = len(self.journal)
        if not self._apply(home, np.array([p for p in self.queue(home) if p not in block], dtype=np.int64)):
            self.roll_back(mark)
            return False
        best: tuple[int, int, list[int]] | None = None
        standing: list[int] = []
        tried = 0
        for k in np.flatnonzero((self.shop.machines["plate"] == self.plate_class[home]) & self.open).tolist():
            queue = self.queue(k)
            if len(queue) + len(block) > self.sizes.longest_queue:
                continue
            there = list(block) if k == home else self._all_elsewhere(block, k)
            if not there:
                continue
            wins = False
            for position in range(len(queue), int(self.firm[k]) - 1, -1):
                if tried >= limit:
                    break
                tried += 1
                trial = np.array([*queue[:position], *there, *queue[position:]], dtype=np.int64)
                rise = price_queue(self.shop, self.book, k, trial, len(trial), self._old)
                if rise < NEVER and (best is None or rise < best[0]):
                    best = (rise, k, trial.tolist())
                    wins = True
            gone = standing if wins else there
            if wins:
                standing = there
            for plate in gone:
                if plate not in block:
                    free_plate(self.book, plate)
        if best is None:
            self.roll_back(mark)
            return False
        for plate, was in zip(standing, block, strict=True):
            if plate != was:
                self._made.append(plate)
                self.held[plate] = self.held[was]
                self.refused[plate] = self.refused[was]
        return self._apply(best[1], np.array(best[2], dtype=np.int64))

    def _all_elsewhere(self, block: Sequence[int], k: int) -> list[int]:
        """Copies of some plates on another machine; none when one of them may not go there."""
        made: list[int] = []
        for plate in block:
            copy = self._elsewhere(plate, k)
            if copy < 0:
                for other in made:
                    free_plate(self.book, other)
                return []
            made.append(copy)
        return made

    def _elsewhere(self, plate: int, k: int) -> int:
        """The plate's pieces on another machine; -1 when a line may not go there."""
        shop, book = self.shop, self.book
        on = self.lines_on(plate)
        site = self.site[k]
        powder = int(book.plates[plate]["powder"])
        if not shop.rates[k, powder]["open"]:
            return -1
        variants = np.empty(len(on), dtype=np.int64)
        for n, (line, variant, _) in enumerate(on):
            if not shop.gates[line, site]["open"]:
                return -1
            if not self.may_split[line] and any(
                self.site[int(book.plates[p]["machine"])] != site for p in self.plates_of(line) if p != plate
            ):
                return -1
            span = shop.kinds[int(shop.lines[line]["kind"]), int(shop.machines[k]["model"])]
            same = [v for v in range(int(span["first"]), int(span["last"])) if self.shape[v] == self.shape[variant]]
            if not same:
                return -1
            variants[n] = same[0]
        return int(plate_on(shop, book, plate, k, variants))

    def _apply(self, k: int, queue: npt.NDArray[np.int64]) -> bool:
        self.journal.append((k, self.book.queues[k, : self.book.lengths[k]].copy()))
        queue = queue.copy()
        return bool(set_queue(self.shop, self.book, k, queue, len(queue)))

    def roll_back(self, mark: int = 0) -> None:
        """Take back every change after a mark of the journal; with mark 0 plates made meanwhile are freed."""
        while len(self.journal) > mark:
            k, queue = self.journal.pop()
            set_queue(self.shop, self.book, k, queue, len(queue))
        if mark == 0:
            self._free(self._made)
            self._made = []

    def commit(self) -> None:
        """Keep the changes; plates nobody refers to any more are freed."""
        gone = {plate for _, queue in self.journal for plate in queue.tolist()}
        gone.update(self._made)
        self._free(sorted(gone))
        self.journal.clear()
        self._made = []

    def _free(self, plates: Sequence[int] | npt.NDArray[np.int64]) -> None:
        """Give back those that stand in no queue and that the best plan does not refer to; each is named once."""
        named = np.asarray(plates, dtype=np.int64)
        table = self.book.plates
        for plate in named[(table["position"][named] < 0) & (table["kept"][named] == 0)].tolist():
            free_plate(self.book, plate)
            self.held[plate] = None

    # --- plans by value --------------------------------------------------------------------------------------

    def unload(self) -> Plan:
        """The plan by value, to send elsewhere."""
        return [[(self.lines_on(p), self.held[p]) for p in self.queue(k)] for k in range(len(self.site))]

    def load(self, plan: Plan) -> None:
        """Replace the plan by another. Raises ValueError for one that the shop's rules refuse."""
        longest = max((len(plates) for plates in plan), default=0)
        widest = max((len(on) for plates in plan for on, _ in plates), default=0)
        many = sum(len(plates) for plates in plan)
        if longest > self.sizes.longest_queue or many >= self.sizes.plates or widest > self.sizes.width:
            raise ValueError(
                f"a plan of {many} plates, up to {longest} on a machine and up to {widest} lines a plate, needs larger"
                f" tables than {self.sizes}"
            )
        total: dict[int, int] = {}
        lots: dict[int, int] = {}
        for on, _ in (plate for plates in plan for plate in plates):
            for line, _, many in on:
                total[line] = total.get(line, 0) + many
                lots[line] = lots.get(line, 0) + 1
        for line, many in total.items():
            if many > self.quantity[line] or lots[line] > int(self.book.standing[line]["room"]):
                raise ValueError(f"line {line}: {many} pieces in {lots[line]} lots, wanted are {self.quantity[line]}")
        self.commit()
        empty = np.zeros(0, dtype=np.int64)
        was = np.flatnonzero(self.book.plates["kept"])
        self.book.plates["kept"] = 0
        self._free(was)
        for k in range(len(self.site)):
            gone = self.queue(k)
            set_queue(self.shop, self.book, k, empty, 0)
            self._free(gone)
        for k, plates in enumerate(plan):
            queue = []
            for on, held in plates:
                made = -1
                for line, variant, pieces in on:
                    more = int(plate_with(self.shop, self.book, made, k, line, variant, pieces))
                    if made >= 0:
                        free_plate(self.book, made)
                    made = more
                self.held[made] = held
                self.refused[made] = frozenset()
                queue.append(made)
            if not set_queue(self.shop, self.book, k, np.array(queue, dtype=np.int64), len(queue)):
                raise ValueError(f"machine {k} cannot run the builds of this plan")

    def keep_to(self, machines: Iterable[int]) -> None:
        """From now on change these machines only, and move only lines that stand on no others."""
        self.open[:] = False
        self.open[list(machines)] = True
        for line in range(len(self.mine)):
            plates = self.plates_of(line)
            # A line that stands nowhere belongs to nobody: two who share the machines must not both build it.
            open_to_me = bool(plates) and all(self.open[int(self.book.plates[p]["machine"])] for p in plates)
            self.mine[line] = self.mine[line] and open_to_me

    def hold(self, firm: Sequence[int]) -> None:
        """From now on leave so many plates at the front of each queue, and every line on them, as they are."""
        self.firm[:] = firm
        for k, many in enumerate(firm):
            for plate in self.queue(k)[:many]:
                for line, _, _ in self.lines_on(plate):
                    self.mine[line] = False

    # --- the best plan met -----------------------------------------------------------------------------------

    def snapshot(self) -> list[npt.NDArray[np.int64]]:
        """The plan as queues; its plates are kept until the next snapshot."""
        plates = self.book.plates
        was = np.flatnonzero(plates["kept"])
        plates["kept"] = 0
        queues = [self.book.queues[k, : self.book.lengths[k]].copy() for k in range(len(self.site))]
        plates["kept"][np.concatenate(queues)] = 1
        self._free(was)
        return queues

    def restore(self, queues: Sequence[npt.NDArray[np.int64]]) -> None:
        """Go back to a snapshot: the latest one taken."""
        self.commit()
        before = {k: was for k, queue in enumerate(queues) if (was := self.queue(k)) != queue.tolist()}
        for k in before:
            # Empty first: a line may not stand on the same machine's old and new plates at once. The firm front is the
            # same in both, and keeps its moments.
            set_queue(self.shop, self.book, k, queues[k], int(self.firm[k]))
        for k in before:
            if not set_queue(self.shop, self.book, k, queues[k], len(queues[k])):
                raise ValueError("a snapshot could not be restored")
        self._free([p for queue in before.values() for p in queue])


def hopeless(estimate_cents: float, best_cents: float) -> bool:
    """Whether a place estimated so is not worth trying for real, beside the best one tried."""
    return estimate_cents > best_cents * _HOPELESS_FACTOR + _HOPELESS_CENTS


def _bulk(shop: Shop) -> npt.NDArray[np.float64]:
    area = np.zeros(len(shop.kinds))
    for kind in range(len(shop.kinds)):
        rows = [int(s["first"]) for s in shop.kinds[kind] if s["last"] > s["first"]]
        area[kind] = min((float(shop.variants[r]["area_mm2"]) for r in rows), default=0.0)
    bulk: npt.NDArray[np.float64] = area[shop.lines["kind"]] * shop.lines["quantity"]
    return bulk


def buildable(shop: Shop) -> Any:
    """(L,) bool: somebody can build the line."""
    open_powder = shop.rates["open"] > 0
    has = shop.kinds["last"] > shop.kinds["first"]
    able = np.zeros(len(shop.lines), dtype=bool)
    for k in range(len(shop.machines)):
        made = shop.machines[k]
        able |= (
            (shop.gates["open"][:, made["site"]] > 0)
            & open_powder[k, shop.lines["powder"]]
            & has[shop.lines["kind"], made["model"]]
        )
    return able
