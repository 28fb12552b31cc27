"""A scenario compiled for the optimizer: lines and machines by index, prices and calendars remembered.

Nothing here decides; everything is looked up or computed once by the formulas of router/costing, router/freight and
router/worktime. Prices are whole cents, moments whole minutes.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from router.costing import (
    BuildRates,
    ChangeoverTerms,
    LotWalk,
    Passage,
    PieceLoad,
    PlateWalk,
    changeover,
    coupon_load,
    plate_route,
)
from router.domain.machines import Machine
from router.domain.network import Scenario
from router.domain.orders import OrderLine
from router.domain.places import Place
from router.freight import FreightDesk, Quote, freight_desk
from router.freight.journey import arrival_date
from router.geometry import PartFacts
from router.kernel.faults import PlatewrightError
from router.kernel.moments import Minute, to_minute
from router.kernel.money import round_cents
from router.nesting import Nest, PlateSpec, capacity, room_for
from router.planning.eligibility import Choice, Eligibility, SiteVerdict, plate_spec
from router.worktime import StaffedTime

DAY_MIN = 1440
_COMFORT_DAYS = 6
"""Days between unloading and the due date below which a line counts as pressed."""

_REMEMBERED = 400_000
"""Entries after which a memory of moments is cleared."""
_FRESH_PLATES = 512
"""As many freshly filled plates are remembered; each is a bitmap of some 100 kB."""

Lots = tuple[tuple[int, Minute, float], ...]
"""Pieces, moment the plate is through its steps, support cm3 of a piece; one entry a lot."""


@dataclass(frozen=True, slots=True)
class Shipping:
    """One shipment: carrier, dates, lateness."""

    ready: Minute
    quote: Quote
    dispatch_date: date
    arrive_date: date
    late_days: int
    late_cents: int
    cents: int
    """Freight, carbon and lateness together."""


@dataclass(frozen=True, slots=True)
class Delivery:
    """How the pieces of one line leave one site."""

    shipping: Shipping
    cents: int
    """Steps after the plate and the shipment together."""


@dataclass(frozen=True, slots=True)
class _Able:
    """Who may build lines of one kind that the same sites take."""

    machines: list[int]
    site_ids: tuple[str, ...]


class Problem:
    """Index-based view of a scenario; immutable but for what it remembers."""

    def __init__(self, scenario: Scenario) -> None:
        network = scenario.network
        self.scenario = scenario
        self.network = network
        self.lines: tuple[OrderLine, ...] = scenario.lines
        self.machines = network.machines
        self.staffed = {s.site_id: StaffedTime(s) for s in network.sites}
        self.eligibility = Eligibility(scenario, self.staffed)
        self.specs = [plate_spec(m) for m in self.machines]
        self.desk: FreightDesk = freight_desk(network)
        now = to_minute(network.now)
        self.now = now
        self.available = [max(now, to_minute(m.available_from)) for m in self.machines]
        self.maintenance = [_stops(m) for m in self.machines]
        self.release = [max(now, to_minute(x.release_at)) for x in self.lines]
        self.due = [x.due_date.toordinal() for x in self.lines]
        noons = {
            day: to_minute(datetime.combine(day, time(12), tzinfo=network.now.tzinfo))
            for day in {x.due_date for x in self.lines}
        }
        self.due_minute = [noons[x.due_date] for x in self.lines]
        self.part_kg = self.eligibility.part_kg
        self.box_cm3 = self.eligibility.box_cm3
        self.coupon_shape = self.eligibility.coupon
        self._rates: dict[tuple[int, str], BuildTerms] = {}
        self.kind = self.eligibility.kind
        """By line: the number of its kind. Lines of a kind (same model, alloy, parameter set, coupons, ``as_modelled``)
        have the same choices on every machine whose site takes them."""
        self.machine_class = self.eligibility.machine_class
        """By machine: the number of its class. Machines of a class (same plate, height, alloys, loaded alloy, melting
        rate) offer the same choices; their other figures, prices and calendars may differ."""
        self.n_kinds = self.eligibility.n_kinds
        self.n_machine_classes = self.eligibility.n_machine_classes
        patterns: dict[int, int] = {}
        for i, kind in enumerate(self.kind):
            patterns.setdefault(kind, i)
        self._kind_choices = [
            [
                self._worth_trying(
                    patterns[k], self.eligibility.first_machine(c), self.eligibility.verdict(k, c).choices
                )
                for c in range(self.n_machine_classes)
            ]
            for k in range(self.n_kinds)
        ]
        site_index = {s.site_id: n for n, s in enumerate(network.sites)}
        self._site_index = site_index
        self._site_of = [site_index[m.site_id] for m in self.machines]
        self._open = self.eligibility.open_sites
        able: dict[tuple[int, int], _Able] = {}
        self._able_by = able
        self._able: list[_Able] = []
        """By line; lines of one kind that the same sites take share an entry."""
        for kind, sites in zip(self.kind, self._open, strict=True):
            found = able.get((kind, sites))
            if found is None:
                found = able[kind, sites] = self._who_can(kind, sites)
            self._able.append(found)
        self._near: dict[tuple[Place, tuple[str, ...]], list[str]] = {}
        self._coupons: dict[tuple[int, str], PieceLoad] = {}
        self._changeovers: dict[tuple[int, str | None, str], ChangeoverTerms | None] = {}
        self._plate_walks: dict[tuple[str, str, tuple[str, ...]], tuple[PlateWalk, bool]] = {}
        self._plates_done: dict[tuple[str, str, tuple[str, ...], Minute, float], tuple[Minute, int]] = {}
        self._lot_walks: dict[tuple[int, str, float], LotWalk] = {}
        self._lots: dict[tuple[int, str, float, int, Minute], tuple[Minute, int]] = {}
        self._collected: dict[tuple[str, time, Minute], date] = {}
        self._shippings: dict[tuple[int, str, int, Minute], Shipping] = {}
        self._lot_once: dict[tuple[int, str], float] = {}
        self._fresh: dict[tuple[PlateSpec, str, int, int], tuple[Nest, int]] = {}
        self._unit: dict[tuple[int, str], float] = {}

    def admit(self, line: OrderLine, part: PartFacts) -> int:
        """Take in one line more and return its index; all indexes before stay. For asking where a new line would go."""
        index = len(self.lines)
        self.eligibility.admit(line, part)
        self.lines = (*self.lines, line)
        self.release.append(max(self.now, to_minute(line.release_at)))
        self.due.append(line.due_date.toordinal())
        self.due_minute.append(to_minute(datetime.combine(line.due_date, time(12), tzinfo=self.network.now.tzinfo)))
        kind = self.kind[index]
        if kind == self.n_kinds:
            self.n_kinds += 1
            classes = range(self.n_machine_classes)
            judged = [(self.eligibility.first_machine(c), self.eligibility.verdict(kind, c).choices) for c in classes]
            self._kind_choices.append([self._worth_trying(index, first, choices) for first, choices in judged])
        key = (kind, self._open[index])
        if key not in self._able_by:
            self._able_by[key] = self._who_can(*key)
        self._able.append(self._able_by[key])
        return index

    def _worth_trying(self, line: int, machine: int, choices: tuple[Choice, ...]) -> tuple[Choice, ...]:
        """Up to three orientations: cheapest by the share of a full plate, lowest, and smallest footprint.

        Asked once for a kind and a machine class: the prices are those of the class's first machine. Where machines of
        a class differ in price, another of them may find a different orientation cheapest, as a rule by little.
        """
        if len(choices) <= 1:
            return choices
        shared = {c.orientation: self._shared_cents(line, machine, c) for c in choices}
        kept = dict.fromkeys(
            (
                min(choices, key=lambda c: (shared[c.orientation], c.orientation)),
                min(choices, key=lambda c: (c.layers, shared[c.orientation], c.orientation)),
                min(choices, key=lambda c: (c.bound_area_mm2, shared[c.orientation], c.orientation)),
            )
        )
        return tuple(kept)

    def _shared_cents(self, line: int, machine: int, choice: Choice) -> float:
        """What a piece bears on a full plate: its own, and its share by area of the start and its layers."""
        rates = self.build_terms(machine, self.lines[line].parameter_set_id).rates
        share = choice.bound_area_mm2 / self.specs[machine].bound_area_mm2
        return rates.own_cents(choice.load) + share * (rates.start_cents + choice.layers * rates.layer_cents)

    def _who_can(self, kind: int, sites: int) -> _Able:
        per_class = self._kind_choices[kind]
        machines = [
            m for m, model in enumerate(self.machine_class) if sites >> self._site_of[m] & 1 and per_class[model]
        ]
        site_ids = tuple(dict.fromkeys(self.machines[m].site_id for m in machines))
        return _Able(machines, site_ids)

    # --- who may build what ---------------------------------------------------------------------------------

    def kind_choices(self, kind: int, machine_class: int) -> tuple[Choice, ...]:
        """Orientations worth trying in which machines of a class may build lines of a kind; their sites not asked.

        The very same objects for all lines of the kind and all machines of the class.
        """
        return self._kind_choices[kind][machine_class]

    def also_try(self, line: int, machine: int, choice: Choice) -> None:
        """Take an orientation for worth trying, for all lines of the kind and machines of the class: a plan has it."""
        per_class = self._kind_choices[self.kind[line]]
        model = self.machine_class[machine]
        if all(c.orientation != choice.orientation for c in per_class[model]):
            per_class[model] = (*per_class[model], choice)

    def choices(self, line: int, machine: int) -> tuple[Choice, ...]:
        """Orientations worth trying in which a machine may build the line; () when it may not."""
        if not self._open[line] >> self._site_of[machine] & 1:
            return ()
        return self._kind_choices[self.kind[line]][self.machine_class[machine]]

    def possible_choices(self, line: int, machine: int) -> tuple[Choice, ...]:
        """Every orientation in which a machine may build the line; () when it may not."""
        if not self._open[line] >> self._site_of[machine] & 1:
            return ()
        return self.eligibility.verdict(self.kind[line], self.machine_class[machine]).choices

    def all_choices(self, line: int, machine: int) -> tuple[Choice, ...]:
        """Every orientation nothing proves impossible on a machine: what a bound must allow for."""
        if not self._open[line] >> self._site_of[machine] & 1:
            return ()
        verdict = self.eligibility.verdict(self.kind[line], self.machine_class[machine])
        return verdict.choices + verdict.unproven

    def machines_for(self, line: int) -> list[int]:
        """Machines that may build the line. Lines share these lists: not to be changed."""
        return self._able[line].machines

    def site_verdict(self, line: int, site_id: str) -> SiteVerdict:
        """The window of moments a site's credentials leave for the line's builds."""
        return self.eligibility.site_verdict(line, self._site_index[site_id])

    def sites_for(self, line: int) -> list[str]:
        """Sites with a machine that may build the line, in the network's order."""
        return list(self._able[line].site_ids)

    def sites_by_distance(self, line: int) -> list[str]:
        """Sites that may build the line, nearest to its customer first."""
        place = self.lines[line].ship_to
        key = (place, self._able[line].site_ids)
        found = self._near.get(key)
        if found is None:
            found = self._near[key] = sorted(key[1], key=lambda s: (self.desk.lane(s, place).straight_km, s))
        return list(found)

    def alloy_of(self, parameter_set_id: str) -> str:
        """Alloy of a parameter set."""
        return self.network.parameter_set[parameter_set_id].alloy_id

    def room_for(self, machine: int, choice: Choice, pieces: int) -> int:
        """How many of so many copies an empty plate of the machine takes; a few are taken to fit without trying."""
        return room_for(self.specs[machine], choice.shape, pieces)

    def fresh_nest(self, machine: int, choice: Choice, pieces: int, coupons: int) -> tuple[Nest, int]:
        """An empty plate with coupons and up to so many copies of a piece, and how many found room; remembered."""
        pieces = self.room_for(machine, choice, pieces)
        key = (self.specs[machine], choice.shape.key, pieces, coupons)
        found = self._fresh.get(key)
        if found is None:
            nest = Nest(self.specs[machine])
            placed = 0
            if nest.add(self.coupon_shape, coupons) == coupons:
                placed = nest.add(choice.shape, pieces)
            if len(self._fresh) >= _FRESH_PLATES:
                self._fresh.clear()
            found = self._fresh[key] = (nest, placed)
        return found

    # --- builds ---------------------------------------------------------------------------------------------

    def build_terms(self, machine: int, parameter_set_id: str) -> BuildTerms:
        """How a machine prices builds of a parameter set."""
        key = (machine, parameter_set_id)
        terms = self._rates.get(key)
        if terms is None:
            terms = BuildTerms(self, machine, parameter_set_id)
            self._rates[key] = terms
        return terms

    def coupon(self, machine: int, parameter_set_id: str) -> PieceLoad:
        """Load of one witness coupon."""
        key = (machine, parameter_set_id)
        if key not in self._coupons:
            self._coupons[key] = coupon_load(
                self.network, self.machines[machine], self.network.parameter_set[parameter_set_id]
            )
        return self._coupons[key]

    def changeover_terms(self, machine: int, leaving: str | None, entering: str) -> ChangeoverTerms | None:
        """Terms of a change of alloy; None when it is never made."""
        key = (machine, leaving, entering)
        if key not in self._changeovers:
            self._changeovers[key] = changeover(self.network, leaving, entering, self.machines[machine])
        return self._changeovers[key]

    def plate_done(
        self, site_id: str, alloy_id: str, codes: tuple[str, ...], unload_end: Minute, melted_kg: float
    ) -> tuple[Minute, int]:
        """When an unloaded plate is through its steps, and their cost; remembered."""
        walk, bought = self._plate_walk(site_id, alloy_id, codes)
        # Only a price by mass makes the mass matter.
        key = (site_id, alloy_id, codes, unload_end, melted_kg if bought else 0.0)
        found = self._plates_done.get(key)
        if found is None:
            _spare_memory(self._plates_done)
            found = self._plates_done[key] = walk.ready_and_cents(self.staffed[site_id], unload_end, melted_kg)
        return found

    def plate_steps_possible(self, site_id: str, alloy_id: str, codes: tuple[str, ...]) -> bool:
        """Whether somebody who holds all these export codes does each step of a plate at the site."""
        try:
            self._plate_walk(site_id, alloy_id, codes)
        except PlatewrightError:
            return False
        return True

    def _plate_walk(self, site_id: str, alloy_id: str, codes: tuple[str, ...]) -> tuple[PlateWalk, bool]:
        where = (site_id, alloy_id, codes)
        found = self._plate_walks.get(where)
        if found is None:
            alloy = self.network.alloy[alloy_id]
            bought = any((site_id, step) not in self.network.work_centre for step in plate_route(alloy))
            found = self._plate_walks[where] = (PlateWalk(self.network, site_id, alloy, codes), bought)
        return found

    # --- after the plate ------------------------------------------------------------------------------------

    def lot_passage(self, line: int, site_id: str, support_cm3: float, pieces: int, t: Minute) -> Passage:
        """The walk of a lot from the end of its plate's steps to ready, step by step."""
        return self._lot_walk(line, site_id, support_cm3).walk(self.staffed[site_id], t, pieces)

    def lot_ready(self, line: int, site_id: str, support_cm3: float, pieces: int, t: Minute) -> tuple[Minute, int]:
        """When a lot is ready, and the cost of its steps; remembered."""
        key = (line, site_id, support_cm3, pieces, t)
        found = self._lots.get(key)
        if found is None:
            _spare_memory(self._lots)
            walk = self._lot_walk(line, site_id, support_cm3)
            found = self._lots[key] = walk.ready_and_cents(self.staffed[site_id], t, pieces)
        return found

    def _lot_walk(self, line: int, site_id: str, support_cm3: float) -> LotWalk:
        where = (line, site_id, support_cm3)
        walk = self._lot_walks.get(where)
        if walk is None:
            walk = LotWalk(self.network, site_id, self.lines[line], self.part_kg[line], support_cm3)
            self._lot_walks[where] = walk
        return walk

    def delivery(self, line: int, site_id: str, lots: Lots) -> Delivery:
        """The cheapest way to finish and ship lots of a line from a site that may build it."""
        pieces = cents = 0
        ready: Minute = 0
        for count, t, support in lots:
            done, cost = self.lot_ready(line, site_id, support, count, t)
            pieces += count
            cents += cost
            ready = max(ready, done)
        shipping = self.shipping(line, site_id, pieces, ready)
        return Delivery(shipping, shipping.cents + cents)

    def shipping(self, line: int, site_id: str, pieces: int, ready: Minute) -> Shipping:
        """The cheapest way to ship pieces that are ready at a moment, lateness counted.

        Raises ValueError where no carrier takes them: such a line is never eligible there.
        """
        key = (line, site_id, pieces, ready)
        best = self._shippings.get(key)
        if best is not None:
            return best
        wanted = self.lines[line]
        for quote in self.desk.quotes(site_id, wanted.ship_to, self.part_kg[line], self.box_cm3[line], pieces):
            base = quote.freight_cents + quote.carbon_cents
            if best is not None and base >= best.cents:
                break  # quotes come cheapest first
            dispatched = self._dispatch(site_id, self.network.carrier[quote.carrier_id].cutoff, ready)
            arrives = arrival_date(dispatched, quote.transit_working_days, wanted.ship_to)
            late = max(0, (arrives - wanted.due_date).days)
            late_cents = round_cents(wanted.late_cents_per_day * late * pieces / wanted.quantity)
            if best is None or base + late_cents < best.cents:
                best = Shipping(ready, quote, dispatched, arrives, late, late_cents, base + late_cents)
        _spare_memory(self._shippings)
        if best is None:
            raise ValueError(f"no carrier takes line {wanted.line_id} from {site_id}")
        self._shippings[key] = best
        return best

    def _dispatch(self, site_id: str, cutoff: time, ready: Minute) -> date:
        key = (site_id, cutoff, ready)
        day = self._collected.get(key)
        if day is None:
            _spare_memory(self._collected)
            day = self.staffed[site_id].collected(ready, cutoff)
            self._collected[key] = day
        return day

    # --- reference figures for estimates --------------------------------------------------------------------

    def unit_cents(self, line: int, site_id: str) -> float:
        """What one more piece of the line costs at a site on full plates of its own; orders candidates only."""
        key = (line, site_id)
        if key not in self._unit:
            best = float("inf")
            wanted = self.lines[line]
            for machine in self._able[line].machines:
                if self.machines[machine].site_id != site_id:
                    continue
                terms = self.build_terms(machine, wanted.parameter_set_id)
                for choice in self.choices(line, machine):
                    full = max(1, capacity(self.specs[machine], choice.shape))
                    load = choice.load
                    cents = terms.price(choice.layers, full * load.exposure_h, full * load.melted_kg)[1]
                    best = min(best, cents / full)
            quotes = self.desk.quotes(site_id, wanted.ship_to, self.part_kg[line], self.box_cm3[line], wanted.quantity)
            freight = quotes[0].total_cents / wanted.quantity if quotes else 0.0
            self._unit[key] = best + freight
        return self._unit[key]

    def lot_once_cents(self, line: int, site_id: str) -> float:
        """What one more lot of the line costs at a site whatever its pieces; orders candidates only."""
        key = (line, site_id)
        if key not in self._lot_once:
            one, two = (self.lot_ready(line, site_id, 0.0, n, self.now)[1] for n in (1, 2))
            self._lot_once[key] = max(0, one - (two - one))
        return self._lot_once[key]

    def due_soon(self, line: int, unload_end: Minute) -> bool:
        """Whether pieces unloaded then are pressed for their due date."""
        return unload_end > self.pressed_from(line)

    def pressed_from(self, line: int) -> Minute:
        """Moment of unloading after which the line's pieces are pressed for their due date."""
        return self.due_minute[line] - _COMFORT_DAYS * DAY_MIN


def _spare_memory(remembered: dict[Any, Any]) -> None:
    """Forget everything once there is much of it: what is forgotten is only worked out again."""
    if len(remembered) >= _REMEMBERED:
        remembered.clear()


def _stops(machine: Machine) -> list[tuple[Minute, Minute]]:
    """Planned stops of a machine in order, overlapping ones united; a start is never rounded up."""
    united: list[tuple[Minute, Minute]] = []
    for stop in sorted(machine.maintenance, key=lambda w: w.start):
        # to_minute rounds up; a stop that begins within a minute takes that whole minute.
        start = to_minute(stop.start - timedelta(seconds=59)) if stop.start.second else to_minute(stop.start)
        end = to_minute(stop.end)
        if united and start <= united[-1][1]:
            united[-1] = (united[-1][0], max(united[-1][1], end))
        else:
            united.append((start, end))
    return united


class BuildTerms:
    """Price and length of builds of one parameter set on one machine, carbon included."""

    __slots__ = ("rates",)

    def __init__(self, problem: Problem, machine: int, parameter_set_id: str) -> None:
        made = problem.machines[machine]
        self.rates = BuildRates(problem.network, made, problem.network.parameter_set[parameter_set_id])

    def price(self, n_layers: int, exposure_h: float, melted_kg: float) -> tuple[int, int]:
        """Run minutes, and cents of the build and its carbon."""
        exposure_s = exposure_h * 3600
        return (
            self.rates.run_min(n_layers, exposure_s),
            self.rates.with_carbon_cents(n_layers, exposure_s, melted_kg),
        )
