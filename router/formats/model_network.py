"""The network file as a whole, and the records that hold everywhere: carriers, packing, customs, rules."""

from __future__ import annotations

from datetime import time
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import model_validator

from router.formats.model_base import Record, note, require
from router.formats.model_machines import AlloyRecord, ChangeoverRecord
from router.formats.model_sites import OutsideServiceRecord, SiteRecord
from router.formats.scalars import (
    Cents,
    Choice,
    ClockTime,
    Country,
    Flag,
    Line,
    Name,
    NumberFromZero,
    PointInTime,
    PositiveFraction,
    PositiveNumber,
    Real,
    Text,
    Whole,
)

NETWORK_FORMAT = "platewright network 1"


class ZoneRecord(Record):
    """A row of a carrier's table."""

    up_to_km: PositiveNumber = note("the row counts up to this distance")
    base: Cents = note("price a consignment, currency")
    per_kg: Cents = note("price a chargeable kilogram, currency")
    transit_working_days: Annotated[int, Whole(0, 120)] = note("working days at the destination")


class CarrierRecord(Record):
    """A mode of transport with its table."""

    id: Name = note("short name of the carrier, unique")
    name: Line = note("full name of the carrier")
    mode: Annotated[Literal["road", "air"], Choice(("road", "air"))] = note("road or air: how distance is reckoned")
    cutoff: ClockTime = note("latest ready time for dispatch the same day, site-local", default=time(16, 0))
    dim_cm3_per_kg: PositiveNumber = note("divisor of the dimensional weight", default=5000.0)
    max_chargeable_kg: PositiveNumber = note("heaviest consignment")
    kg_co2e_per_tonne_km: NumberFromZero = note("emission factor")
    factor_source: Line = note("where the factor comes from")
    zones: list[ZoneRecord] = note("table by distance, ascending", min_length=1)

    @model_validator(mode="after")
    def _ascending(self) -> Self:
        reach = [z.up_to_km for z in self.zones]
        ascending = all(a < b for a, b in pairwise(reach))
        require(ascending, "ascending up_to_km", "zones", ", ".join(f"{km:g}" for km in reach))
        return self


class PackagingRecord(Record):
    """What packing adds."""

    mass_fraction: Annotated[float, Real(least=0, most=10)] = note(
        "packing mass for each kilogram of parts", default=0.15
    )
    fixed_kg: NumberFromZero = note("packing mass a consignment", default=0.4)
    void_factor: Annotated[float, Real(least=1, most=50)] = note("consignment bulk over the parts' boxes", default=1.5)


class CustomsRecord(Record):
    """Crossing from one customs area into another."""

    areas: dict[str, list[Country]] = note("countries by customs area; others are an area of their own", default={})
    cost: Cents = note("price a crossing, currency")
    working_days: Annotated[int, Whole(0, 120)] = note("working days a crossing adds")


class CouponRecord(Record):
    """Witness coupon: an upright square bar."""

    side_mm: PositiveNumber = note("side of the square", default=12.0)
    height_mm: PositiveNumber = note("height", default=75.0)


class RulesRecord(Record):
    """Rules that hold everywhere."""

    overhang_deg: Annotated[float, Real(above=0, most=89)] = note(
        "faces leaning out less steeply than this above the horizontal need support", default=45.0
    )
    powder_packing: PositiveFraction = note("solid share of the powder bed", default=0.6)
    recoater_min_off_deg: Annotated[float, Real(least=0, most=45)] = note(
        "least angle between an elongated footprint and the blade", default=5.0
    )
    recoater_long_ratio: Annotated[float, Real(least=1, most=1000)] = note(
        "length over width from which a footprint counts as elongated", default=2.0
    )
    carbon_price_per_tonne: Cents = note("price put on emissions, currency a tonne CO2e", default=0)


class NetworkRecord(Record):
    """Everything a scenario's ``network.yaml`` holds."""

    format: Annotated[str, Choice((NETWORK_FORMAT,))] = note(f"'{NETWORK_FORMAT}'")
    name: Line = note("name of the network")
    invented: Flag = note(
        "true for demonstration data, shown on every paper; the service plans it from `now` and not from the clock",
        default=False,
    )
    currency: Annotated[str, Text(most=3, least=3)] = note("three-letter currency code of every amount, e.g. USD")
    now: PointInTime = note(
        "the moment the plan is made; nothing starts before it. The service takes the clock instead unless invented"
    )
    time_zone: Line | None = note(
        "IANA time zone of times written without offset, here and in the order book", default=None
    )
    late_per_day: Cents = note("penalty for a late day of lines that name none, currency")
    rules: RulesRecord = note("rules that hold everywhere", default=RulesRecord())
    coupon: CouponRecord = note("witness coupon", default=CouponRecord())
    alloys: list[AlloyRecord] = note("alloys and their parameter sets", min_length=1)
    changeovers: list[ChangeoverRecord] = note("changes of alloy, first match counts", default=[])
    sites: list[SiteRecord] = note("production sites", min_length=1)
    outside_services: list[OutsideServiceRecord] = note("steps bought outside", default=[])
    carriers: list[CarrierRecord] = note("modes of transport", min_length=1)
    packaging: PackagingRecord = note("what packing adds", default=PackagingRecord())
    customs: CustomsRecord = note("crossing from one customs area into another")
    circuity: dict[str, Annotated[float, Real(least=1, most=5)]] = note(
        "road over straight-line distance by country; '*' for all others and for legs between countries"
    )
