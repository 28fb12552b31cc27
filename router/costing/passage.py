"""Walking a plate or a lot through its steps: when it is ready, what that costs, who did it (RULES.md, section 5)."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import date

from router.costing.steps import (
    centre_cents,
    holds,
    lot_minutes,
    lot_route,
    no_provider,
    outside_cents,
    plate_route,
)
from router.domain.alloys import Alloy
from router.domain.network import Network
from router.domain.orders import OrderLine
from router.domain.sites import OutsideService, Step, WorkCentre
from router.kernel.moments import Minute
from router.worktime import StaffedTime, whole_minutes


@dataclass(frozen=True, slots=True)
class StepPassage:
    """One step of a walk."""

    step: Step
    start: Minute
    """Start of the work, or the moment the pieces wait for collection from."""
    end: Minute
    cost_cents: int
    service_id: str | None
    """Outside service, None at an own centre."""
    pickup: date | None
    """Day an outside service collects."""


@dataclass(frozen=True, slots=True)
class Passage:
    """A whole walk."""

    ready: Minute
    cost_cents: int
    steps: tuple[StepPassage, ...]

    @property
    def outside(self) -> tuple[str, ...]:
        """Outside services used, in route order."""
        return tuple(s.service_id for s in self.steps if s.service_id is not None)


@dataclass(frozen=True, slots=True)
class _Stage:
    """One step, priced: at an own centre, or by outside services from the cheapest on."""

    step: Step
    attended: bool
    minutes: int
    cost_cents: int
    services: tuple[tuple[int, OutsideService], ...]
    """Empty at an own centre."""


class _Walk:
    """Who does each of a sequence of steps at one site, looked up once."""

    __slots__ = ("_codes", "_labour", "_providers", "_site_id")

    def __init__(self, network: Network, site_id: str, steps: Sequence[Step], export_codes: Collection[str]) -> None:
        self._site_id = site_id
        self._labour = network.site[site_id].labour_cents_per_h
        self._codes = tuple(sorted(export_codes))
        self._providers: list[tuple[Step, WorkCentre | None, tuple[OutsideService, ...]]] = []
        for step in steps:
            centre = network.work_centre.get((site_id, step))
            services: tuple[OutsideService, ...] = ()
            if centre is None:
                services = tuple(
                    o for o in network.outside(site_id, step) if all(holds(o, c, None) for c in self._codes)
                )
                if not services:
                    raise no_provider(site_id, step, self._codes)
            self._providers.append((step, centre, services))

    def _stages(self, minutes: Callable[[WorkCentre], float], mass_kg: float) -> tuple[_Stage, ...]:
        """Price every step for the minutes a centre takes and the mass an outside service is sent."""
        stages = []
        for step, centre, services in self._providers:
            if centre is not None:
                took = minutes(centre)
                cents = centre_cents(centre, self._labour, took)
                stages.append(_Stage(step, centre.attended, whole_minutes(took), cents, ()))
            else:
                priced = sorted(
                    ((outside_cents(o, mass_kg), o) for o in services), key=lambda p: (p[0], p[1].service_id)
                )
                stages.append(_Stage(step, False, 0, 0, tuple(priced)))
        return tuple(stages)

    def _sent(self, staffed: StaffedTime, t: Minute, stage: _Stage) -> tuple[Minute, int, OutsideService, date]:
        """Back when, for how much, from whom, collected on which day: the cheapest that may have the pieces."""
        for cents, service in stage.services:
            day = staffed.collected(t, service.pickup_time, service.pickup_weekdays)
            if all(holds(service, code, day) for code in self._codes):
                back = staffed.at_local(staffed.business.add(day, service.lead_working_days), service.return_time)
                return max(t, back), cents, service, day
        raise no_provider(self._site_id, stage.step, self._codes)

    def _whole(self, stages: Sequence[_Stage], staffed: StaffedTime, t: Minute) -> Passage:
        done = []
        for stage in stages:
            if stage.services:
                end, cents, service, day = self._sent(staffed, t, stage)
                done.append(StepPassage(stage.step, t, end, cents, service.service_id, day))
            else:
                start, end = (staffed.attended if stage.attended else staffed.unattended)(t, stage.minutes)
                done.append(StepPassage(stage.step, start, end, stage.cost_cents, None, None))
            t = end
        return Passage(t, sum(p.cost_cents for p in done), tuple(done))

    def _quick(self, stages: Sequence[_Stage], staffed: StaffedTime, t: Minute) -> tuple[Minute, int]:
        total = 0
        for stage in stages:
            if stage.services:
                t, cents, _, _ = self._sent(staffed, t, stage)
                total += cents
            else:
                t = (staffed.attended if stage.attended else staffed.unattended)(t, stage.minutes)[1]
                total += stage.cost_cents
        return t, total


class PlateWalk(_Walk):
    """Steps of a whole plate of one alloy at one site."""

    __slots__ = ("_fixed",)

    def __init__(self, network: Network, site_id: str, alloy: Alloy, export_codes: Collection[str] = ()) -> None:
        """``export_codes``: those of all lines on the plate. Raises PlatewrightError when a step has nobody."""
        super().__init__(network, site_id, plate_route(alloy), export_codes)
        all_own = all(centre is not None for _, centre, _ in self._providers)
        self._fixed = self._priced(0.0) if all_own else None

    def walk(self, staffed: StaffedTime, t: Minute, melted_kg: float) -> Passage:
        """The walk of a plate unloaded at ``t`` that carries ``melted_kg``.

        Raises PlatewrightError when no service may have a step's pieces on its pick-up day.
        """
        return self._whole(self._fixed or self._priced(melted_kg), staffed, t)

    def ready_and_cents(self, staffed: StaffedTime, t: Minute, melted_kg: float) -> tuple[Minute, int]:
        """``walk`` without the steps: for inner loops."""
        return self._quick(self._fixed or self._priced(melted_kg), staffed, t)

    def _priced(self, melted_kg: float) -> tuple[_Stage, ...]:
        return self._stages(lambda centre: centre.plate_min, melted_kg)


class LotWalk(_Walk):
    """Steps of the pieces of one line at one site, in one orientation."""

    __slots__ = ("_part_kg", "_remembered", "_support_cm3")

    def __init__(self, network: Network, site_id: str, line: OrderLine, part_kg: float, support_cm3: float) -> None:
        """``part_kg`` of one piece without supports, ``support_cm3`` bulk support of one piece.

        Raises PlatewrightError when a step has nobody.
        """
        codes = () if line.export_control is None else (line.export_control,)
        super().__init__(network, site_id, lot_route(line, network.alloy[line.alloy_id]), codes)
        self._part_kg = part_kg
        self._support_cm3 = support_cm3
        self._remembered: dict[int, tuple[_Stage, ...]] = {}

    def walk(self, staffed: StaffedTime, t: Minute, pieces: int) -> Passage:
        """The walk of so many pieces off the plate at ``t``.

        Raises PlatewrightError when no service may have a step's pieces on its pick-up day.
        """
        return self._whole(self._priced(pieces), staffed, t)

    def ready_and_cents(self, staffed: StaffedTime, t: Minute, pieces: int) -> tuple[Minute, int]:
        """``walk`` without the steps: for inner loops."""
        return self._quick(self._priced(pieces), staffed, t)

    def _priced(self, pieces: int) -> tuple[_Stage, ...]:
        stages = self._remembered.get(pieces)
        if stages is None:
            stages = self._stages(lambda centre: lot_minutes(centre, pieces, self._support_cm3), pieces * self._part_kg)
            self._remembered[pieces] = stages
        return stages


def pass_plate(
    network: Network,
    staffed: StaffedTime,
    alloy: Alloy,
    melted_kg: float,
    t: Minute,
    export_codes: Collection[str] = (),
) -> Passage:
    """Walk a plate from its unloading through its steps; in inner loops keep a ``PlateWalk`` instead."""
    return PlateWalk(network, staffed.site.site_id, alloy, export_codes).walk(staffed, t, melted_kg)


def pass_lot(
    network: Network,
    staffed: StaffedTime,
    line: OrderLine,
    pieces: int,
    part_kg: float,
    support_cm3: float,
    t: Minute,
) -> Passage:
    """Walk a lot from the end of its plate's steps to ready; in inner loops keep a ``LotWalk`` instead."""
    return LotWalk(network, staffed.site.site_id, line, part_kg, support_cm3).walk(staffed, t, pieces)
