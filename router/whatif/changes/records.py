"""The kinds of change as records of a what-if file: fields, their bounds, and the sentence that explains each."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated

from router.formats.model_base import Record, note
from router.formats.model_sites import ShiftRecord
from router.formats.scalars import (
    HIGHEST_GROWTH,
    WEEKDAYS,
    Cents,
    Choice,
    Country,
    Flag,
    LifeYears,
    Line,
    Name,
    NumberFromZero,
    Real,
    Whole,
)

Factor = Annotated[float, Real(least=0, most=4)]
Growth = Annotated[float, Real(least=-0.9, most=HIGHEST_GROWTH, per_cent=True)]
DiscountRate = Annotated[float, Real(above=-1, most=1, per_cent=True)]
Latitude = Annotated[float, Real(least=-90, most=90)]
Longitude = Annotated[float, Real(least=-180, most=180)]
MonthCount = Annotated[int, Whole(0, 240)]


SiteNames = Mapping[str, str]
_NOBODY: SiteNames = MappingProxyType({})


def called(site_id: str, sites: SiteNames) -> str:
    """A site as sentences name it: by its name, with the id it has in files; by the id where no name is known."""
    name = sites.get(site_id, site_id)
    return site_id if name == site_id else f"{name} ({site_id})"


class InvestmentRecord(Record):
    """What a change costs to make and to keep, beside what the plans show."""

    capex: Cents = note("paid at the start: machines, building, qualification", default=0)
    staff_per_month: Cents = note("people beyond the hours that builds are charged", default=0)
    fixed_per_month: Cents = note("rent, insurance, service contracts", default=0)
    ready_after_months: MonthCount = note("months from paying to the first saving", default=0)
    ramp_months: MonthCount = note("months until the saving is full, rising evenly", default=0)


class Change(Record):
    """One change. ``why`` is for people; ``investment`` where something is bought."""

    change: str = note("kind of change")
    why: Line | None = note("the reason, for people", default=None)
    investment: InvestmentRecord | None = note("what it costs to make and to keep", default=None)

    def sentence(self, sites: SiteNames = _NOBODY) -> str:
        """What the change does, in words; ``sites``: names of sites by id, as far as they are known."""
        raise TypeError(f"{type(self).__name__} must explain itself")


class Placed(Change):
    """A change that says where a site is to stand."""

    country: Country = note("two-letter country code (ISO 3166-1), e.g. FR")
    city: Line = note("city name, looked up in the gazetteer unless coordinates are given")
    latitude: Latitude | None = note("degrees WGS84, north positive", default=None)
    longitude: Longitude | None = note("degrees WGS84, east positive", default=None)
    time_zone: Line | None = note("IANA time zone; as of the site there is when left out", default=None)


class AddedMachine(Record):
    """A machine of a new site."""

    id: Name = note("short name, unique in the network")
    like: Name = note("machine of the base it is a copy of")
    alloys: list[Name] = note("alloys it may build, those of 'like' when left out", default=[])
    rate_per_h: Cents | None = note("cost of an hour of it, currency; as of 'like' when left out", default=None)


class AddSite(Placed):
    """A new site, in everything not said otherwise a copy of one there is."""

    id: Name = note("short name of the new site, unique")
    name: Line | None = note("full name; the city when left out", default=None)
    like: Name = note("site it takes shifts, rates, steps after the build and outside services from")
    labour_per_h: Cents | None = note("cost of an operator, currency an hour", default=None)
    energy_per_kwh: Cents | None = note("electricity, currency a kWh", default=None)
    grid_kg_co2e_per_kwh: NumberFromZero | None = note("emissions of the electricity, kg CO2e a kWh", default=None)
    same_credentials: Flag = note("whether it holds the registrations and accreditations of 'like'", default=False)
    credentials: list[Name] = note("codes of registrations and accreditations it holds beside those", default=[])
    machines: list[AddedMachine] = note("machines of the new site", min_length=1)

    def sentence(self, sites: SiteNames = _NOBODY) -> str:
        machines = ", ".join(
            f"{m.id} (like {m.like}{', for ' + ', '.join(m.alloys) if m.alloys else ''})" for m in self.machines
        )
        held = "with" if self.same_credentials else "without"
        further = f", holding {', '.join(self.credentials)}" if self.credentials else ""
        opened, like = called(self.id, sites), called(self.like, sites)
        return (
            f"Open site {opened} in {self.city}, {self.country}: run like {like}, {held} its"
            f" credentials{further}; machines {machines}."
        )


class CloseSite(Change):
    """A site and its machines are gone."""

    site: Name = note("site to close")

    def sentence(self, sites: SiteNames = _NOBODY) -> str:
        return f"Close site {called(self.site, sites)} with all its machines."


class MoveSite(Placed):
    """A site stands elsewhere; machines, people and rates come along."""

    site: Name = note("site to move")

    def sentence(self, sites: SiteNames = _NOBODY) -> str:
        return f"Move site {called(self.site, sites)} to {self.city}, {self.country}."


class AddMachine(Change):
    """A further machine, a copy of one there is."""

    id: Name = note("short name of the new machine, unique in the network")
    site: Name = note("site it stands at")
    like: Name = note("machine it is a copy of")

    def sentence(self, sites: SiteNames = _NOBODY) -> str:
        return f"Add machine {self.id} at {called(self.site, sites)}, like {self.like}."


class RetireMachine(Change):
    """A machine is gone."""

    machine: Name = note("machine to retire")

    def sentence(self, sites: SiteNames = _NOBODY) -> str:
        return f"Retire machine {self.machine}."


class QualifyAlloy(Change):
    """A machine may build a further alloy."""

    machine: Name = note("machine to qualify")
    alloy: Name = note("alloy it may build from now on")

    def sentence(self, sites: SiteNames = _NOBODY) -> str:
        return f"Qualify machine {self.machine} for {self.alloy}."


class ChangeShift(Change):
    """A site works other hours."""

    site: Name = note("site whose shifts change")
    shifts: list[ShiftRecord] = note("the weekly shifts from now on, in place of those there are", min_length=1)

    def sentence(self, sites: SiteNames = _NOBODY) -> str:
        spans = "; ".join(
            f"{', '.join(WEEKDAYS[d] for d in s.days)} {s.start:%H:%M} to {s.end:%H:%M}" for s in self.shifts
        )
        return f"Site {called(self.site, sites)} works {spans}."


class ChangeRate(Change):
    """An hour of work or of a machine costs more or less."""

    of: Annotated[str, Choice(("labour", "machine", "energy"))] = note("labour, machine or energy")
    site: Name | None = note("only this site; all when left out", default=None)
    machine: Name | None = note("only this machine (for 'machine')", default=None)
    factor: Annotated[float, Real(least=0, most=10)] = note("new rate over the present one")

    def sentence(self, sites: SiteNames = _NOBODY) -> str:
        where = f" of {self.machine}" if self.machine else f" at {called(self.site, sites)}" if self.site else ""
        return f"Rates for {self.of}{where} times {self.factor:g}."


class ChangeCarrier(Change):
    """A carrier asks more or less, or takes longer."""

    carrier: Name | None = note("carrier; all when left out", default=None)
    price_factor: Annotated[float, Real(above=0, most=10)] = note("new prices over the present ones", default=1.0)
    transit_days_added: Annotated[int, Whole(-5, 20)] = note("working days more (or fewer) in transit", default=0)

    def sentence(self, sites: SiteNames = _NOBODY) -> str:
        who = f"Carrier {self.carrier}" if self.carrier else "Every carrier"
        days = f", {self.transit_days_added:+d} working days" if self.transit_days_added else ""
        return f"{who}: prices times {self.price_factor:g}{days}."


class CarbonPrice(Change):
    """A tonne of CO2e costs another price."""

    per_tonne: Cents = note("price of a tonne of CO2e")

    def sentence(self, sites: SiteNames = _NOBODY) -> str:
        return f"A tonne of CO2e costs {self.per_tonne / 100:,.2f}."


class Demand(Change):
    """More or fewer orders of some kind. Several demand changes that meet in a line multiply."""

    factor: Factor = note("demand at the start over the historic one", default=1.0)
    growth_per_year: Growth = note("further growth a year as a share of 1", default=0.0)
    season: list[Factor] = note("twelve factors, January to December", default=[])
    countries: list[Country] = note("only orders to these countries; all when left out", default=[])
    alloys: list[Name] = note("only lines in these alloys; all when left out", default=[])
    least_pieces: Annotated[int, Whole(1, 1_000_000)] = note("only lines of so many pieces or more", default=1)
    most_pieces: Annotated[int, Whole(1, 1_000_000)] | None = note("only lines of so many at most", default=None)

    def sentence(self, sites: SiteNames = _NOBODY) -> str:
        some = [
            f"to {', '.join(self.countries)}" if self.countries else "",
            f"in {', '.join(self.alloys)}" if self.alloys else "",
            f"from {self.least_pieces} pieces" if self.least_pieces > 1 else "",
            f"up to {self.most_pieces} pieces" if self.most_pieces else "",
        ]
        which = " ".join(x for x in some if x) or "of every kind"
        growth = f", growing {self.growth_per_year:+.0%} a year" if self.growth_per_year else ""
        season = f", by season from {min(self.season):g} to {max(self.season):g}" if self.season else ""
        return f"Demand {which} times {self.factor:g}{growth}{season}."


KINDS: dict[str, type[Change]] = {
    "add_site": AddSite,
    "close_site": CloseSite,
    "move_site": MoveSite,
    "add_machine": AddMachine,
    "retire_machine": RetireMachine,
    "qualify_alloy": QualifyAlloy,
    "change_shift": ChangeShift,
    "change_rate": ChangeRate,
    "change_carrier": ChangeCarrier,
    "carbon_price": CarbonPrice,
    "demand": Demand,
}
"""Kinds of change by the word a file uses."""

FORMAT = "platewright what-if 1"


class WhatIfRecord(Record):
    """A what-if file but for the fields of its changes, which are read kind by kind."""

    format: Annotated[str, Choice((FORMAT,))] = note(f"'{FORMAT}'")
    name: Line = note("what the what-if is called")
    on: Line | None = note("another what-if file, beside this one, that this one goes on from", default=None)
    discount_rate_per_year: DiscountRate = note("for net present values", default=0.08)
    life_years: LifeYears = note("years over which an investment is held against its savings", default=7.0)
    invented: Flag = note("true for demonstration data", default=False)
    changes: list[dict[str, object]] = note("the changes, in order", default=[])
