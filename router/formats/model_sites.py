"""Records of the network file: sites, shifts, credentials, work centres, outside services."""

from __future__ import annotations

from datetime import date, time
from typing import Annotated, Any, Self

from pydantic import BeforeValidator, model_validator

from router.domain.sites import Step
from router.formats.model_base import Record, note, require
from router.formats.model_machines import MachineRecord
from router.formats.scalars import (
    CalendarDay,
    Cents,
    Choice,
    ClockTime,
    Country,
    Days,
    Flag,
    Line,
    Name,
    NumberFromZero,
    Real,
    Text,
    Whole,
)

FURNACE_STEPS = frozenset({Step.STRESS_RELIEF, Step.HIP, Step.HEAT_TREATMENT})
"""Run through without people once begun, so ``attended`` is false for them unless said otherwise."""


StepName = Annotated[str, Choice(tuple(s.value for s in Step))]


class PlaceRecord(Record):
    """Where something is: city, or post code, or coordinates; always with the country."""

    country: Country = note("two-letter country code (ISO 3166-1), e.g. US")
    city: Line | None = note(
        "city name, with the region in brackets where needed: Springfield (Illinois)", default=None
    )
    postcode: Line | None = note("post code; places are looked up by it in the US only", default=None)
    latitude: Annotated[float, Real(least=-90, most=90)] | None = note("degrees WGS84, north positive", default=None)
    longitude: Annotated[float, Real(least=-180, most=180)] | None = note("degrees WGS84, east positive", default=None)

    @model_validator(mode="after")
    def _complete(self) -> Self:
        require((self.latitude is None) == (self.longitude is None), "latitude and longitude together", "latitude")
        require(
            self.city is not None or self.postcode is not None or self.latitude is not None,
            "a city, a postcode, or latitude and longitude",
            "city",
        )
        return self


class PauseRecord(Record):
    """A break inside a shift."""

    start: ClockTime = note("wall-clock start, e.g. 12:00")
    end: ClockTime = note("wall-clock end, e.g. 12:30")


class ShiftRecord(Record):
    """A weekly shift in the site's wall-clock time."""

    days: Days = note("weekdays on which it starts, e.g. mon-fri")
    start: ClockTime = note("wall-clock start, e.g. 06:00")
    end: ClockTime = note("wall-clock end; at or before the start means the next day")
    pauses: list[PauseRecord] = note("breaks inside the shift, in order", default=[])

    @model_validator(mode="after")
    def _pauses_inside(self) -> Self:
        length = _minutes_after(self.start, self.end) or 24 * 60
        reached = 0
        for pause in self.pauses:
            begin = _minutes_after(self.start, pause.start)
            end = begin + (_minutes_after(pause.start, pause.end) or 24 * 60)
            span = f"{pause.start:%H:%M} to {pause.end:%H:%M}"
            require(
                reached <= begin and end <= length,
                "pauses inside the shift, in order, none over another",
                "pauses",
                span,
            )
            reached = end
        return self


def _minutes_after(start: time, end: time) -> int:
    """Minutes on the wall from one time of day to the next occurrence of another; 0 when equal."""
    return ((end.hour - start.hour) * 60 + end.minute - start.minute) % (24 * 60)


class CredentialRecord(Record):
    """A registration or accreditation, valid from day to day inclusive."""

    code: Name = note("code of the registration or accreditation, e.g. AS9100")
    valid_from: CalendarDay | None = note("first valid day; left out: always was", default=None)
    valid_until: CalendarDay | None = note("last valid day; left out: no end", default=None)

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        first, last = self.valid_from or date.min, self.valid_until or date.max
        require(first <= last, "valid_until on or after valid_from", "valid_until", self.valid_until)
        return self


def _code_alone(raw: Any) -> Any:
    return {"code": raw} if isinstance(raw, (str, int)) and not isinstance(raw, bool) else raw


Credentials = list[
    Annotated[CredentialRecord, BeforeValidator(_code_alone, json_schema_input_type=CredentialRecord | str)]
]


class HolidayRecord(Record):
    """Whose public holidays a site keeps."""

    country: Annotated[str, Text(most=3, least=2)] = note("country code known to the package holidays, e.g. US")
    subdivision: Annotated[str, Text(most=6)] | None = note("state or province code, e.g. OH", default=None)


class WorkCentreRecord(Record):
    """How a site does one step itself."""

    attended: Flag | None = note(
        "people needed all the time; left out: false for stress_relief, hip and heat_treatment, else true", default=None
    )
    plate_min: NumberFromZero | None = note("minutes a plate; for steps done to the whole plate", default=None)
    lot_min: NumberFromZero | None = note("minutes a lot, whatever its size", default=None)
    piece_min: NumberFromZero | None = note("minutes a piece", default=None)
    min_per_support_cm3: NumberFromZero | None = note("minutes for each cm3 of bulk support of a piece", default=None)
    rate_per_h: Cents = note("cost of the equipment, currency an hour")
    fixed: Cents = note("consumables a plate (plate steps) or a lot (other steps), currency", default=0)


PLATE_FIELDS = ("plate_min",)
LOT_FIELDS = ("lot_min", "piece_min", "min_per_support_cm3")


class SiteRecord(Record):
    """A production site with its machines and work centres."""

    id: Name = note("short name of the site, unique")
    name: Line = note("full name of the site")
    place: PlaceRecord = note("where the site is")
    time_zone: Line = note("IANA time zone, e.g. America/New_York")
    holidays: HolidayRecord | None = note("public holidays kept; left out: those of the place's country", default=None)
    closures: list[CalendarDay] = note("further days without work", default=[])
    shifts: list[ShiftRecord] = note("weekly shifts", min_length=1)
    labour_per_h: Cents = note("cost of an operator, currency an hour")
    energy_per_kwh: Cents = note("electricity, currency a kWh")
    grid_kg_co2e_per_kwh: NumberFromZero = note("emissions of the electricity, kg CO2e a kWh")
    credentials: Credentials = note("registrations and accreditations held: codes, or records with dates", default=[])
    machines: list[MachineRecord] = note("machines at the site", default=[])
    work_centres: dict[StepName, WorkCentreRecord] = note("steps the site does itself, by name of the step", default={})


class OutsideServiceRecord(Record):
    """A step bought outside."""

    id: Name = note("short name of the service, unique")
    name: Line = note("full name of the service")
    step: StepName = note("the step it does")
    sites: list[Name] | None = note("sites it serves; left out: all", default=None)
    pickup_days: Days = note("weekdays of collection", default=(0, 1, 2, 3, 4))
    pickup_time: ClockTime = note("latest ready time on the day of collection, site-local", default=time(15, 0))
    lead_working_days: Annotated[int, Whole(0, 250)] = note("working days from collection until the pieces are back")
    return_time: ClockTime = note("time of day at which they are back, site-local", default=time(12, 0))
    lot: Cents = note("price a lot, currency")
    per_kg: Cents = note("price a kilogram, currency", default=0)
    credentials: Credentials = note("registrations held: codes, or records with dates", default=[])
