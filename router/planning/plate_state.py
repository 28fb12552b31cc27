"""A plate while the optimizer works on it: which lines, how many pieces, where, what it costs."""

from __future__ import annotations

from dataclasses import dataclass

from router.kernel.moments import Minute
from router.nesting import Nest
from router.planning.eligibility import ALWAYS, Choice, Windows, common
from router.planning.problem import Problem


@dataclass(frozen=True, slots=True)
class Item:
    """Pieces of one line on a plate, all in one orientation."""

    choice: Choice
    pieces: int


class PlateState:
    """Pieces in place and the figures that follow from them. Treated as a value: change a ``clone``."""

    __slots__ = (
        "plate_id",
        "machine",
        "parameter_set_id",
        "items",
        "nest",
        "coupons",
        "layers",
        "exposure_h",
        "melted_kg",
        "release",
        "windows",
        "own_plate",
        "codes",
        "run_min",
        "cost_cents",
    )

    def __init__(self, plate_id: int, machine: int, parameter_set_id: str, nest: Nest) -> None:
        self.plate_id = plate_id
        self.machine = machine
        self.parameter_set_id = parameter_set_id
        self.items: dict[int, Item] = {}
        self.nest = nest
        self.coupons = 0
        self.layers = 0
        self.exposure_h = 0.0
        self.melted_kg = 0.0
        self.release: Minute = 0
        self.windows: Windows = ALWAYS
        self.own_plate = False
        self.codes: tuple[str, ...] = ()
        self.run_min = 0
        self.cost_cents = 0

    def clone(self) -> PlateState:
        """A copy to change; the nest is shared until it is replaced by a copy of its own."""
        twin = PlateState(self.plate_id, self.machine, self.parameter_set_id, self.nest)
        twin.items = dict(self.items)
        twin.coupons = self.coupons
        twin.own_plate = self.own_plate
        return twin

    def refresh(self, problem: Problem) -> None:
        """Recompute every figure from ``items`` and ``coupons``."""
        machine = problem.machines[self.machine]
        layers = 0
        exposure_h = 0.0
        melted_kg = 0.0
        release: Minute = 0
        windows = ALWAYS
        for line, item in self.items.items():
            choice = item.choice
            layers = max(layers, choice.layers)
            exposure_h += choice.load.exposure_h * item.pieces
            melted_kg += choice.load.melted_kg * item.pieces
            release = max(release, problem.release[line])
            held = problem.site_verdict(line, machine.site_id).windows
            if held != ALWAYS:
                windows = common(windows, held)
        if self.coupons:
            coupon = problem.coupon(self.machine, self.parameter_set_id)
            layers = max(layers, coupon.n_layers)
            exposure_h += coupon.exposure_h * self.coupons
            melted_kg += coupon.melted_kg * self.coupons
        self.layers = layers
        self.exposure_h = exposure_h
        self.melted_kg = melted_kg
        self.release = release
        self.windows = windows
        self.own_plate = any(problem.lines[i].own_plate for i in self.items)
        self.codes = tuple(sorted({code for i in self.items if (code := problem.lines[i].export_control)}))
        self.run_min, self.cost_cents = problem.build_terms(self.machine, self.parameter_set_id).price(
            layers, exposure_h, melted_kg
        )

    def accepts(self, problem: Problem, line: int) -> bool:
        """Whether the rules on sharing let the line onto this plate (room aside)."""
        wanted = problem.lines[line]
        if wanted.parameter_set_id != self.parameter_set_id:
            return False
        if line in self.items:
            return True
        if not self._codes_together(problem, wanted.export_control):
            return False
        return not self.items or not (self.own_plate or wanted.own_plate)

    def _codes_together(self, problem: Problem, code: str | None) -> bool:
        """Whether someone may do the plate's steps when a line with this export code joins."""
        if code is None or code in self.codes or not self.codes:
            return True
        site_id = problem.machines[self.machine].site_id
        codes = tuple(sorted((*self.codes, code)))
        return problem.plate_steps_possible(site_id, problem.alloy_of(self.parameter_set_id), codes)

    def with_pieces(self, problem: Problem, line: int, choice: Choice, pieces: int) -> tuple[PlateState, int] | None:
        """This plate with up to ``pieces`` more of a line; and how many found room. None when none did.

        Room for missing coupons is taken first: without them the line may not be on the plate.
        """
        held = self.items.get(line)
        if held is not None and held.choice.orientation != choice.orientation:
            choice = held.choice
        nest = self.nest.copy()
        coupons = max(self.coupons, problem.lines[line].coupons)
        if coupons > self.coupons and nest.add(problem.coupon_shape, coupons - self.coupons) < coupons - self.coupons:
            return None
        placed = nest.add(choice.shape, pieces)
        if placed == 0:
            return None
        twin = self.clone()
        twin.nest = nest
        twin.coupons = coupons
        twin.items[line] = Item(choice, placed + (held.pieces if held else 0))
        twin.refresh(problem)
        return twin, placed

    def without_lines(self, problem: Problem, lines: set[int]) -> PlateState | None:
        """This plate without some lines (and coupons nobody needs any more); None when nothing is left."""
        kept = {i: item for i, item in self.items.items() if i not in lines}
        if not kept:
            return None
        twin = self.clone()
        twin.items = kept
        twin.coupons = max(problem.lines[i].coupons for i in kept)
        drop: dict[str, int] = {}
        for i, item in self.items.items():
            if i in lines:
                drop[item.choice.shape.key] = drop.get(item.choice.shape.key, 0) + item.pieces
        if twin.coupons < self.coupons:
            key = problem.coupon_shape.key
            drop[key] = drop.get(key, 0) + self.coupons - twin.coupons
        nest = self.nest.lean()
        nest.take_off(drop)
        twin.nest = nest
        twin.refresh(problem)
        return twin
