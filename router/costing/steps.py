"""Steps after the build: which route a line takes, who does each step and what it costs."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import date
from functools import lru_cache

from router.domain.alloys import Alloy
from router.domain.network import Network
from router.domain.orders import OrderLine
from router.domain.sites import ALWAYS_STEPS, PLATE_STEPS, OutsideService, Step, WorkCentre
from router.kernel.faults import PlatewrightError
from router.kernel.money import round_cents


@dataclass(frozen=True, slots=True)
class StepCost:
    """One step, who does it, what it costs."""

    step: Step
    by: WorkCentre | OutsideService
    cost_cents: int


@lru_cache(maxsize=4096)
def _route(ordered: tuple[Step, ...], stress_relief: bool) -> tuple[Step, ...]:
    wanted = ALWAYS_STEPS | frozenset(ordered) | (frozenset({Step.STRESS_RELIEF}) if stress_relief else frozenset())
    return tuple(step for step in Step if step in wanted)


def route(line: OrderLine, alloy: Alloy) -> tuple[Step, ...]:
    """Every step of a line after its build, in order (RULES.md, section 2)."""
    return _route(line.steps, alloy.stress_relief)


def plate_route(alloy: Alloy) -> tuple[Step, ...]:
    """Steps of a whole plate of this alloy."""
    return tuple(s for s in _route((), alloy.stress_relief) if s in PLATE_STEPS)


def lot_route(line: OrderLine, alloy: Alloy) -> tuple[Step, ...]:
    """Steps of a line's pieces once they are off the plate."""
    return tuple(s for s in route(line, alloy) if s not in PLATE_STEPS)


def lot_minutes(centre: WorkCentre, pieces: int, support_cm3: float) -> float:
    """Minutes of a lot at an own centre, before rounding up; ``support_cm3`` is the bulk support of one piece."""
    return centre.lot_min + pieces * (centre.piece_min + centre.min_per_support_cm3 * support_cm3)


def centre_cents(centre: WorkCentre, labour_cents_per_h: int, minutes: float) -> int:
    """Cost of so many minutes at an own centre."""
    hourly = centre.rate_cents_per_h + (labour_cents_per_h if centre.attended else 0)
    return round_cents(centre.fixed_cents + minutes / 60 * hourly)


def outside_cents(service: OutsideService, mass_kg: float) -> int:
    """Cost of a plate or a lot at an outside service."""
    return round_cents(service.lot_cents + service.cents_per_kg * mass_kg)


def holds(service: OutsideService, code: str, day: date | None) -> bool:
    """Whether a service holds a registration on a day; with None, on any day at all."""
    return any(c.code == code and (day is None or c.covers(day)) for c in service.credentials)


def choose_outside(
    network: Network,
    site_id: str,
    step: Step,
    mass_kg: float,
    export_codes: Collection[str] = (),
    pickup_day: Callable[[OutsideService], date] | None = None,
) -> OutsideService | None:
    """The service a site sends a step to: the cheapest for this mass that holds every export code; ties by id.

    ``pickup_day`` tells on which day a service would collect; without it any day a code is held will do.
    """
    able = [
        service
        for service in network.outside(site_id, step)
        if all(holds(service, code, pickup_day(service) if pickup_day else None) for code in export_codes)
    ]
    return min(able, key=lambda o: (outside_cents(o, mass_kg), o.service_id), default=None)


def missing_steps(
    network: Network, site_id: str, steps: Collection[Step], export_code: str | None = None
) -> tuple[Step, ...]:
    """Steps nobody does for a site: no work centre there, no outside service (that ever holds the export code)."""
    codes = () if export_code is None else (export_code,)
    return tuple(
        step
        for step in steps
        if (site_id, step) not in network.work_centre and choose_outside(network, site_id, step, 0.0, codes) is None
    )


def plate_steps(
    network: Network, site_id: str, alloy: Alloy, melted_kg: float, export_codes: Collection[str] = ()
) -> list[StepCost]:
    """Steps of a plate, who does each and what it costs, the moment left open (RULES.md, section 4)."""
    return [
        _priced(network, site_id, step, melted_kg, export_codes, lambda centre: centre.plate_min)
        for step in plate_route(alloy)
    ]


def lot_steps(
    network: Network, site_id: str, line: OrderLine, pieces: int, part_kg: float, support_cm3: float
) -> list[StepCost]:
    """Steps of a lot, who does each and what it costs, the moment left open (RULES.md, section 5).

    ``part_kg`` is one piece without supports, ``support_cm3`` the bulk support volume of one piece.
    """
    codes = () if line.export_control is None else (line.export_control,)
    return [
        _priced(
            network,
            site_id,
            step,
            pieces * part_kg,
            codes,
            lambda centre: lot_minutes(centre, pieces, support_cm3),
        )
        for step in lot_route(line, network.alloy[line.alloy_id])
    ]


def no_provider(site_id: str, step: Step, export_codes: Collection[str]) -> PlatewrightError:
    held = f" that holds {', '.join(sorted(export_codes))}" if export_codes else ""
    return PlatewrightError(
        f"site {site_id}: nobody does {step.value}; expected a work centre there or an outside service{held}"
    )


def _priced(
    network: Network,
    site_id: str,
    step: Step,
    mass_kg: float,
    export_codes: Collection[str],
    minutes: Callable[[WorkCentre], float],
) -> StepCost:
    site = network.site[site_id]
    centre = network.work_centre.get((site_id, step))
    if centre is not None:
        return StepCost(step, centre, centre_cents(centre, site.labour_cents_per_h, minutes(centre)))
    service = choose_outside(network, site_id, step, mass_kg, export_codes)
    if service is None:
        raise no_provider(site_id, step, export_codes)
    return StepCost(step, service, outside_cents(service, mass_kg))
