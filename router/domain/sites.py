"""Sites: where machines stand, when people are there, what happens after the build."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time
from enum import StrEnum

from router.domain.places import Place


class Step(StrEnum):
    """Steps after the build, in the order in which they happen."""

    POWDER_REMOVAL = "powder_removal"
    STRESS_RELIEF = "stress_relief"
    PLATE_REMOVAL = "plate_removal"
    SUPPORT_REMOVAL = "support_removal"
    HIP = "hip"
    HEAT_TREATMENT = "heat_treatment"
    MACHINING = "machining"
    CT_INSPECTION = "ct_inspection"
    INSPECTION = "inspection"
    PACKING = "packing"


PLATE_STEPS: tuple[Step, ...] = (Step.POWDER_REMOVAL, Step.STRESS_RELIEF, Step.PLATE_REMOVAL)
"""Done to the whole plate, before pieces part."""

ALWAYS_STEPS: frozenset[Step] = frozenset(
    {Step.POWDER_REMOVAL, Step.PLATE_REMOVAL, Step.SUPPORT_REMOVAL, Step.INSPECTION, Step.PACKING}
)
"""Done to every part; stress relief follows the alloy, the rest follows the order line."""

ORDERABLE_STEPS: tuple[Step, ...] = (Step.HIP, Step.HEAT_TREATMENT, Step.MACHINING, Step.CT_INSPECTION)
"""What an order line may ask for on top."""


@dataclass(frozen=True, slots=True)
class Pause:
    """A break inside a shift, wall-clock."""

    start: time
    end: time


@dataclass(frozen=True, slots=True)
class Shift:
    """A weekly shift. ``weekdays`` 0 is Monday. An end at or before the start lies on the next day."""

    weekdays: tuple[int, ...]
    start: time
    end: time
    pauses: tuple[Pause, ...] = ()


@dataclass(frozen=True, slots=True)
class Credential:
    """A registration or accreditation a site holds, valid on days from..until inclusive."""

    code: str
    valid_from: date | None = None
    valid_until: date | None = None

    def covers(self, day: date) -> bool:
        return (self.valid_from is None or self.valid_from <= day) and (
            self.valid_until is None or day <= self.valid_until
        )


@dataclass(frozen=True, slots=True)
class WorkCentre:
    """Where a site does a step itself. Finite capacity is not modelled.

    Plate steps last ``plate_min``; the others ``lot_min + pieces * (piece_min + min_per_support_cm3 * support_cm3)``.
    Attended work counts staffed minutes and pauses with the shift; unattended work (a furnace) starts
    in staffed time and then runs through.
    """

    site_id: str
    step: Step
    attended: bool
    plate_min: float
    lot_min: float
    piece_min: float
    min_per_support_cm3: float
    rate_cents_per_h: int
    fixed_cents: int
    """Consumables a plate (plate steps) or a lot (other steps)."""


@dataclass(frozen=True, slots=True)
class OutsideService:
    """A step bought outside: collected on given weekdays before a time, back after working days."""

    service_id: str
    name: str
    step: Step
    site_ids: tuple[str, ...]
    """Sites it serves; empty means all."""
    pickup_weekdays: tuple[int, ...]
    pickup_time: time
    lead_working_days: int
    return_time: time
    lot_cents: int
    cents_per_kg: int
    credentials: tuple[Credential, ...] = ()

    def serves(self, site_id: str) -> bool:
        return not self.site_ids or site_id in self.site_ids


@dataclass(frozen=True, slots=True)
class Site:
    """A production site."""

    site_id: str
    name: str
    place: Place
    time_zone: str
    holiday_country: str
    holiday_subdivision: str | None
    closures: tuple[date, ...]
    shifts: tuple[Shift, ...]
    labour_cents_per_h: int
    energy_cents_per_kwh: int
    grid_kg_co2e_per_kwh: float
    credentials: tuple[Credential, ...] = ()

    def holds(self, code: str, day: date) -> bool:
        return any(c.code == code and c.covers(day) for c in self.credentials)
