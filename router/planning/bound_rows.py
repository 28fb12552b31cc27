"""Who can build what at what least cost, as arrays: one row per line, class of equal machines and orientation.

Figures of a row are those of the whole line, all its pieces built that way. A row costs ``fixed_cents`` whatever
else is on its plates, takes ``share`` of plates, and reaches so far up the bands of layers of its group
(BOUND.md, 1 and 5).
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Collection
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from router.costing import changeover
from router.domain.places import Place
from router.kernel.faults import PlatewrightError
from router.planning.bound_after import Lane, LotFloor, Weights, lane_of, lot_floor
from router.planning.bound_late import Arrivals
from router.planning.bound_plates import cover, least_keep_out_mm2, most_on_plate, room_mm2
from router.planning.problem import Problem

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

BANDS = 6
"""Bands of layers of a parameter set; what a plate costs to start is band 0, before them."""
_ROUNDING_CENTS = 5.0
"""Roundings half up inside one build (machine, powder, gas, energy, labour, carbon, three plate steps): at most 4.5."""


@dataclass(frozen=True, slots=True)
class Option:
    """One piece in one orientation on one class of machines."""

    own_cents: float
    exposure_h: float
    share: float
    """Of the room of one plate."""
    layers: int
    """Of any plate with the piece: its own, or its coupons'."""
    support_cm3: float
    most: int
    """Copies one plate takes at the most."""


@dataclass
class Rows:
    """Rows, groups (parameter set on a class of machines) and pairs (line at a site)."""

    lines: list[int]
    """The book's line behind each line number used here."""
    line: Ints
    klass: Ints
    group: Ints
    """-1 for a line with plates of its own."""
    pair: Ints
    first: Ints
    """First bucket in which a run with a piece of it can end."""
    layers: Ints
    fixed_cents: Floats
    """What each row costs outside the shared plates, freight and lateness not counted."""
    own_cents: Floats
    """Of it, exposure and powder."""
    lots_cents: Floats
    """Of it, steps of the lots."""
    share: Floats
    hours: Floats
    """Of machine time."""
    delivery_cents: Floats
    """(pairs, buckets): freight, carbon and lateness when all runs end in the bucket."""
    freight_cents: Floats
    """(pairs,): freight and carbon alone."""
    band_cents: Floats
    """(groups, 1 + BANDS): cents of a whole plate in each band."""
    band_layers: Ints
    """(groups, 1 + BANDS): layers at which each band ends; band 0 ends at 0."""
    capacity_h: Floats
    """(classes, buckets - 1): hours of all machines of a class until the end of a bucket."""
    order: Ints
    """Line numbers by parameter set, then by due date."""
    reach: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    """(rows, 1 + BANDS): plates taken in each band."""
    full: npt.NDArray[np.bool_] = field(default_factory=lambda: np.zeros((0, 0), dtype=bool))
    """(rows, 1 + BANDS): whether every piece reaches the end of the band."""


def machine_classes(problem: Problem) -> list[list[int]]:
    """Machines that differ in nothing but their name, what they hold ready and when they are free."""
    network = problem.network
    classes: dict[tuple[object, ...], list[int]] = {}
    for m, made in enumerate(problem.machines):
        able = frozenset(a for a in made.alloys if changeover(network, made.loaded_alloy_id, a, made) is not None)
        key = (
            made.site_id,
            problem.specs[m],
            made.height_mm,
            (made.lasers, made.laser_efficiency, made.recoat_s, made.power_kw),
            (made.setup_min, made.cooldown_min, made.load_min, made.unload_min),
            (made.rate_cents_per_h, made.purge_cents, made.gas_cents_per_h, made.plate_cents),
            able,
        )
        classes.setdefault(key, []).append(m)
    return list(classes.values())


_FIGURES = 11
"""Figures of a row, in the order of the fields of Rows."""


class _Builder:
    """Walks the book once."""

    def __init__(self, problem: Problem, lines: int) -> None:
        self.problem = problem
        self.classes = machine_classes(problem)
        self.arrivals = Arrivals(problem, lines)
        self.smallest_part: dict[tuple[str, float], float] = {}
        self.options: dict[tuple[int, int], list[Option]] = {}
        self.lanes: dict[tuple[str, str, float, float], Lane] = {}
        self.groups: dict[tuple[str, int], int] = {}
        self.group_of: list[tuple[str, int]] = []
        self.columns = array("d")
        self.pairs: list[Floats] = []
        self.freight: list[float] = []

    def walk(self, lines: Collection[int]) -> Rows | None:
        kept: list[int] = []
        for line in sorted(lines):
            before = len(self.columns)
            self._line(line, len(kept))
            if len(self.columns) > before:
                kept.append(line)
        if not kept:
            return None
        table = np.frombuffer(self.columns, dtype=float).reshape(-1, _FIGURES)
        whole = table[:, :6].astype(np.int64)
        rows = Rows(
            lines=kept,
            line=whole[:, 0],
            klass=whole[:, 1],
            group=whole[:, 2],
            pair=whole[:, 3],
            first=whole[:, 4],
            layers=whole[:, 5],
            fixed_cents=table[:, 6],
            own_cents=table[:, 7],
            lots_cents=table[:, 8],
            share=table[:, 9],
            hours=table[:, 10],
            delivery_cents=np.array(self.pairs),
            freight_cents=np.array(self.freight),
            # A book of nothing but plates of their own still has an (empty) group, so that index -1 has a meaning.
            band_cents=np.zeros((max(1, len(self.group_of)), 1 + BANDS)),
            band_layers=np.zeros((max(1, len(self.group_of)), 1 + BANDS), dtype=np.int64),
            capacity_h=self._capacity_h(),
            order=np.array(
                sorted(
                    range(len(kept)),
                    key=lambda n: (self.problem.lines[kept[n]].parameter_set_id, self.problem.due[kept[n]], n),
                ),
                dtype=np.int64,
            ),
        )
        self._bands(rows)
        return rows

    # --- one line -------------------------------------------------------------------------------------------

    def _line(self, line: int, number: int) -> None:
        problem = self.problem
        wanted = problem.lines[line]
        at: dict[str, list[tuple[int, list[Option]]]] = {}
        for k, members in enumerate(self.classes):
            if problem.all_choices(line, members[0]):
                at.setdefault(problem.machines[members[0]].site_id, []).append((k, self._options(line, k)))
        weights = Weights(problem, line)
        for site_id, able in at.items():
            lane = self._lane(site_id, wanted.ship_to)
            if not lane.carriers:
                continue
            floors = weights.floors(lane)
            # The quickest to unload and the least support stand for all machines of the site.
            unload_min = min(problem.machines[self.classes[k][0]].unload_min for k, _ in able)
            support_cm3 = min(o.support_cm3 for _, options in able for o in options)
            costs = self.arrivals.cents(line, site_id, unload_min, support_cm3, lane, floors)
            last = np.flatnonzero(np.isfinite(costs))
            if not len(last):
                continue
            self.pairs.append(costs)
            self.freight.append(float(floors.min()))
            floor = lot_floor(problem, line, site_id)
            most = max(o.most for _, options in able for o in options)
            # Unsplit and more than any plate of the site takes: so many lots whatever the mix of machines.
            lots = None
            if not wanted.may_split_sites and wanted.quantity > most:
                lots = float(math.ceil(wanted.quantity / most))
            for k, options in able:
                first = self._first_bucket(line, k, site_id, options)
                if first is not None and first <= last[-1]:
                    for option in options:
                        self._row(line, number, k, first, option, floor, lots)

    def _lane(self, site_id: str, place: Place) -> Lane:
        key = (site_id, place.country, place.latitude_deg, place.longitude_deg)
        lane = self.lanes.get(key)
        if lane is None:
            lane = self.lanes[key] = lane_of(self.problem, site_id, place)
        return lane

    def _first_bucket(self, line: int, k: int, site_id: str, options: list[Option]) -> int | None:
        """Bucket in which a run with one piece of the line can end; None where the calendar has no work."""
        problem = self.problem
        starts = [
            begun
            for m in self.classes[k]
            if (begun := self.arrivals.first_run_start(m, problem.release[line])) is not None
        ]
        if not starts:
            return None
        windows = problem.site_verdict(line, site_id).windows
        rates = problem.build_terms(self.classes[k][0], problem.lines[line].parameter_set_id).rates
        shortest = min(rates.run_min(o.layers, 3600 * o.exposure_h) for o in options)
        return self.arrivals.first_bucket(max(min(starts), windows[0][0] if windows else 0) + shortest)

    def _row(
        self, line: int, number: int, k: int, first: int, option: Option, floor: LotFloor, lots: float | None
    ) -> None:
        problem = self.problem
        wanted = problem.lines[line]
        machine = self.classes[k][0]
        made = problem.machines[machine]
        together = min(wanted.quantity, option.most)
        plates = wanted.quantity / together
        lots_cents = floor.cents(plates if lots is None else lots, together / wanted.quantity, option.support_cm3)
        own = wanted.quantity * option.own_cents
        share = wanted.quantity * option.share
        idle_h = (made.setup_min + made.cooldown_min + made.load_min + made.unload_min) / 60
        plate_h = idle_h + option.layers * made.recoat_s / 3600
        fixed = own + lots_cents
        if wanted.own_plate:
            group = -1
            start, layer = self._plate_cents(machine, wanted.parameter_set_id)
            fixed += plates * (start + option.layers * layer)
            hours = wanted.quantity * option.exposure_h + plates * plate_h
        else:
            group = self._group(wanted.parameter_set_id, k)
            hours = wanted.quantity * option.exposure_h + share * plate_h
        pair = len(self.pairs) - 1
        self.columns.extend((number, k, group, pair, first, option.layers, fixed, own, lots_cents, share, hours))

    def _group(self, parameter_set_id: str, k: int) -> int:
        key = (parameter_set_id, k)
        if key not in self.groups:
            self.groups[key] = len(self.group_of)
            self.group_of.append(key)
        return self.groups[key]

    # --- one piece ------------------------------------------------------------------------------------------

    def _options(self, line: int, k: int) -> list[Option]:
        problem = self.problem
        wanted = problem.lines[line]
        kind = (problem.kind[line], k)
        found = self.options.get(kind)
        if found is not None:
            return found
        machine = self.classes[k][0]
        spec = problem.specs[machine]
        rates = problem.build_terms(machine, wanted.parameter_set_id).rates
        carbon_h = self._carbon_h(machine)
        smallest = self._smallest_part(wanted.parameter_set_id, spec.spacing_mm)
        room = room_mm2(spec)
        coupons_mm2 = wanted.coupons * cover(problem.coupon_shape, spec.spacing_mm).area_mm2
        coupon = problem.coupon(machine, wanted.parameter_set_id)
        every = []
        for choice in problem.all_choices(line, machine):
            piece = cover(choice.shape, spec.spacing_mm)
            area = piece.closed_mm2(smallest, least_keep_out_mm2(spec))
            # Coupons take their room off every plate with the line; no share is above one.
            share = min(1.0, area / max(room - coupons_mm2, area))
            most = min(most_on_plate(spec, choice.shape), max(1, math.floor(1 / share + 1e-9)))
            exposure = choice.load.exposure_h + share * wanted.coupons * coupon.exposure_h
            own = rates.own_cents(choice.load) + choice.load.exposure_h * carbon_h
            if wanted.coupons:
                own += share * wanted.coupons * (rates.own_cents(coupon) + coupon.exposure_h * carbon_h)
            # There are no more plates than pieces: what rounding may take off a start that costs nothing, they bear.
            own += min(0.0, self._start_cents(machine, wanted.parameter_set_id))
            layers = max(choice.layers, coupon.n_layers) if wanted.coupons else choice.layers
            every.append(Option(own, exposure, share, layers, choice.support_cm3, most))
        found = self.options[kind] = _undominated(every)
        return found

    def _smallest_part(self, parameter_set_id: str, spacing_mm: float) -> float:
        """Least connected area of anything that shares plates of a parameter set, coupons included."""
        key = (parameter_set_id, spacing_mm)
        if key not in self.smallest_part:
            problem = self.problem
            shapes = {problem.coupon_shape} if any(x.coupons for x in problem.lines) else set()
            kinds = {k for k, x in zip(problem.kind, problem.lines, strict=True) if x.parameter_set_id == key[0]}
            for kind in kinds:
                for c in range(problem.n_machine_classes):
                    verdict = problem.eligibility.verdict(kind, c)
                    shapes |= {choice.shape for choice in verdict.choices + verdict.unproven}
            self.smallest_part[key] = min(cover(s, spacing_mm).smallest_part_mm2 for s in shapes)
        return self.smallest_part[key]

    # --- plates ---------------------------------------------------------------------------------------------

    def _plate_cents(self, machine: int, parameter_set_id: str) -> tuple[float, float]:
        """Cents of one plate before its first layer, and of a layer; no plate costs less."""
        problem = self.problem
        made = problem.machines[machine]
        rates = problem.build_terms(machine, parameter_set_id).rates
        layer = rates.layer_cents + made.recoat_s / 3600 * self._carbon_h(machine)
        return max(0.0, self._start_cents(machine, parameter_set_id)), layer

    def _carbon_h(self, machine: int) -> float:
        made = self.problem.machines[machine]
        site = self.problem.network.site[made.site_id]
        return made.power_kw * site.grid_kg_co2e_per_kwh * self.problem.network.carbon_cents_per_kg

    def _start_cents(self, machine: int, parameter_set_id: str) -> float:
        """Cents of a plate before its first layer, all roundings given away: may be a few cents below 0."""
        problem = self.problem
        made = problem.machines[machine]
        try:
            steps = problem.plate_done(made.site_id, problem.alloy_of(parameter_set_id), (), problem.now, 0.0)[1]
        except PlatewrightError:
            steps = 0
        idle_h = (made.setup_min + made.cooldown_min) / 60
        rates = problem.build_terms(machine, parameter_set_id).rates
        return rates.start_cents + idle_h * self._carbon_h(machine) + steps - _ROUNDING_CENTS

    def _bands(self, rows: Rows) -> None:
        """Cut the layers of each parameter set into bands that hold equal shares of plates."""
        ends: dict[str, Ints] = {}
        shared = rows.group >= 0
        names = sorted({name for name, _ in self.group_of})
        number = {name: n for n, name in enumerate(names)}
        set_of_group = np.array([number[name] for name, _ in self.group_of] or [-1])
        sets = np.where(shared, set_of_group[rows.group], -1)
        for name in names:
            layers = rows.layers[sets == number[name]]
            cuts = np.unique(np.quantile(layers, np.linspace(0, 1, BANDS), method="higher")).astype(np.int64)
            ends[name] = np.concatenate([cuts, np.full(BANDS - len(cuts), cuts[-1], dtype=np.int64)])
        for g, (name, k) in enumerate(self.group_of):
            start, layer = self._plate_cents(self.classes[k][0], name)
            rows.band_layers[g, 1:] = ends[name]
            rows.band_cents[g, 0] = start
            rows.band_cents[g, 1:] = np.diff(rows.band_layers[g]) * layer
        low = rows.band_layers[rows.group, :-1]
        high = rows.band_layers[rows.group, 1:]
        part = np.clip((rows.layers[:, None] - low) / np.maximum(1, high - low), 0.0, 1.0) * (high > low)
        on_shared = np.where(shared, rows.share, 0.0)
        rows.reach = np.hstack([np.ones((len(rows.line), 1)), part]) * on_shared[:, None]
        whole = (rows.layers[:, None] >= high) & (high > low)
        rows.full = np.hstack([np.ones((len(rows.line), 1), dtype=bool), whole]) & shared[:, None]

    def _capacity_h(self) -> Floats:
        """Hours of each class from its machines' first free moments to the end of each bucket but the last.

        The last plate to end in time is unloaded after it: its unloading is lent to every machine.
        """
        problem = self.problem
        ends = self.arrivals.starts[1:]
        table = np.zeros((len(self.classes), len(ends)))
        for k, members in enumerate(self.classes):
            for m in members:
                for b, end in enumerate(ends):
                    open_min = max(0, end - problem.available[m])
                    for start, stop in problem.maintenance[m]:
                        open_min -= max(0, min(stop, end) - max(start, problem.available[m]))
                    if open_min > 0:
                        table[k, b] += (open_min + problem.machines[m].unload_min) / 60
        return table


def build_rows(problem: Problem, lines: Collection[int]) -> Rows | None:
    """All rows of these lines; None when nobody can build any of them."""
    return _Builder(problem, len(lines)).walk(lines)


def _undominated(options: list[Option]) -> list[Option]:
    """Options no other is at least as good as in every way that counts."""
    kept: list[tuple[tuple[float, ...], Option]] = []
    for option in sorted(options, key=lambda o: (o.own_cents, o.share, o.layers, o.exposure_h, o.support_cm3, -o.most)):
        figures = (
            option.own_cents,
            option.exposure_h,
            option.share,
            float(option.layers),
            option.support_cm3,
            -float(option.most),
        )
        if not any(all(k <= f for k, f in zip(other, figures, strict=True)) for other, _ in kept):
            kept.append((figures, option))
    return [option for _, option in kept]
