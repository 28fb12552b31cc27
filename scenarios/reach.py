"""Which sites of a network could build a part, and what that takes: the generator's rough view of the rules.

Deliberately on the safe side (boxes instead of outlines), so that a line called buildable here is buildable under
the rules of a plan; the reverse need not hold.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache

from router.domain.alloys import ParameterSet
from router.domain.machines import Machine, Plate
from router.domain.network import Network
from router.domain.sites import ALWAYS_STEPS, Step
from scenarios.part_sizes import PartSize, Stance

PACKED = 0.62
"""Share of the usable plate that bounding boxes of pieces take on a well filled plate (assumption)."""


def stands_on(plate: Plate, stance: Stance, long_ratio: float) -> bool:
    """Whether the box of one piece, set down in the middle of the empty plate along or across, is clear of the rest."""
    short, long = sorted((stance.width_mm, stance.depth_mm))
    if _fits(plate, short, long):
        return True
    return long < 0.9 * long_ratio * short and _fits(plate, long, short)  # a long piece goes across the blade only


def _fits(plate: Plate, w: float, d: float) -> bool:
    room = 2 * plate.edge_margin_mm
    if plate.round:
        return math.hypot(w, d) <= plate.width_mm - room
    if w > plate.width_mm - room or d > plate.depth_mm - room:
        return False
    left, low = (plate.width_mm - w) / 2, (plate.depth_mm - d) / 2
    for zone in plate.keep_outs:
        dx = max(left - zone.x_mm, zone.x_mm - left - w, 0.0)
        dy = max(low - zone.y_mm, zone.y_mm - low - d, 0.0)
        if math.hypot(dx, dy) <= zone.radius_mm:
            return False
    return True


@dataclass(frozen=True, slots=True)
class Wish:
    """What decides where a line can be built."""

    model: str
    alloy_id: str
    steps: frozenset[Step] = frozenset()
    export_control: str | None = None
    accreditations: tuple[str, ...] = ()
    as_modelled: bool = False
    coupons: bool = False


class Reach:
    """Answers for one network and one set of parts."""

    def __init__(self, network: Network, parts: Mapping[str, PartSize], until: date) -> None:
        """``until``: a registration counts only if it lasts from now to that day."""
        self.network, self.parts = network, parts
        self._first, self._until = network.now.date(), until
        self._standing = cache(self._find_standing)
        self._doing = cache(self._find_doing)
        self._holding = cache(self._find_holding)

    def sites(self, wish: Wish) -> frozenset[str]:
        """Sites where the wish can be met from now to the last day."""
        found = frozenset(m.site_id for m in self.machines(wish))
        for step in sorted(ALWAYS_STEPS | wish.steps | self._relief(wish.alloy_id)):
            found &= self._doing(step, wish.export_control)
        for code in (wish.export_control, *wish.accreditations):
            if code is not None:
                found &= self._holding(code)
        return found

    def machines(self, wish: Wish) -> tuple[Machine, ...]:
        """Machines that list the alloy and on whose empty plate a piece can stand."""
        return self._standing(wish.model, wish.alloy_id, wish.as_modelled, wish.coupons)

    def _relief(self, alloy_id: str) -> frozenset[Step]:
        return frozenset({Step.STRESS_RELIEF}) if self.network.alloy[alloy_id].stress_relief else frozenset()

    def _find_standing(self, model: str, alloy_id: str, as_modelled: bool, coupons: bool) -> tuple[Machine, ...]:
        stances = self.parts[model].stances[: 1 if as_modelled else None]
        ratio, tall = self.network.recoater_long_ratio, self.network.coupon.height_mm
        return tuple(
            m
            for m in self.network.machines
            if alloy_id in m.alloys
            and (not coupons or (tall <= m.height_mm and not m.plate.round))
            and any(s.height_mm <= m.height_mm and stands_on(m.plate, s, ratio) for s in stances)
        )

    def _find_doing(self, step: Step, code: str | None) -> frozenset[str]:
        def outside(site_id: str) -> bool:
            return any(
                code is None or any(c.code == code and c.covers(self._until) for c in service.credentials)
                for service in self.network.outside(site_id, step)
            )

        return frozenset(
            s.site_id for s in self.network.sites if (s.site_id, step) in self.network.work_centre or outside(s.site_id)
        )

    def _find_holding(self, code: str) -> frozenset[str]:
        return frozenset(
            s.site_id for s in self.network.sites if s.holds(code, self._first) and s.holds(code, self._until)
        )


def machine_hours(machine: Machine, part: PartSize, settings: ParameterSet, pieces: int) -> float:
    """Rough hours of a machine for so many pieces on well filled plates, set-up and handling shared (RULES.md, 3)."""
    stance = part.lowest()
    melted_cm3 = (part.volume_mm3 + settings.support_density * stance.support_mm3) / 1000
    exposure_h = pieces * melted_cm3 / (settings.build_rate_cm3_h * machine.lasers * machine.laser_efficiency)
    gap = machine.plate.spacing_mm
    box_mm2 = (stance.width_mm + gap) * (stance.depth_mm + gap)
    plates = pieces * box_mm2 / (PACKED * machine.plate.area_mm2)
    recoat_h = stance.height_mm / settings.layer_mm * machine.recoat_s / 3600
    around_h = (machine.setup_min + machine.cooldown_min + machine.load_min + machine.unload_min) / 60
    return exposure_h + plates * (recoat_h + around_h)


def mean_hours(machines: Iterable[Machine], part: PartSize, settings: ParameterSet, pieces: int) -> float:
    """Mean of ``machine_hours`` over the machines."""
    each = [machine_hours(m, part, settings, pieces) for m in machines]
    return sum(each) / len(each)
