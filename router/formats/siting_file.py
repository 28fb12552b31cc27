"""Reads the file that asks where a site should be added (CANDIDATES.md), or says everything that is wrong with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Self
from zoneinfo import ZoneInfo

from pydantic import ValidationError, model_validator

from router.domain.network import Network
from router.domain.places import Place
from router.domain.siting import Candidate, Figure, Package, SitingQuestion, SitingTerms, Swing
from router.formats.gazetteer import cities
from router.formats.model_base import Record, note, require
from router.formats.model_sites import PlaceRecord
from router.formats.places import resolve_place
from router.formats.scalars import (
    HIGHEST_GROWTH,
    LONGEST_LIFE_YEARS,
    Choice,
    Country,
    Flag,
    Line,
    Money,
    Name,
    Real,
    Scalar,
    Whole,
    has_control_characters,
    refusal,
)
from router.formats.siting_refs import reference_faults
from router.formats.validation import Places, structure_faults
from router.formats.wording import found
from router.formats.yaml_reader import read_yaml
from router.kernel.faults import Fault, FaultyInput, told_once

FORMAT = "platewright candidates 1"


@dataclass(frozen=True)
class Sourced(Scalar):
    """A number, or a group of ``value`` and ``source`` that says where it comes from."""

    plain: Scalar

    def parse(self, raw: object, zone: ZoneInfo | None) -> Figure:
        source: str | None = None
        if isinstance(raw, Mapping):
            text = raw.get("source")
            said = isinstance(text, str) and bool(text.strip()) and not has_control_characters(text.strip())
            if set(raw) != {"value", "source"} or not isinstance(text, str) or not said:
                raise refusal("a number, or {value: a number, source: where it comes from}")
            raw, source = raw["value"], text.strip()
        value = self.plain.parse(raw, zone)
        assert isinstance(value, (int, float))
        return Figure(float(value), source)

    def schema(self) -> dict[str, Any]:
        plain = self.plain.schema()
        group = {"type": "object", "properties": {"value": plain, "source": {"type": "string"}}}
        return {"anyOf": [plain, {**group, "required": ["value", "source"], "additionalProperties": False}]}


_Cents = Annotated[Figure, Sourced(Money())]
_FromZero = Annotated[Figure, Sourced(Real(least=0))]
_Positive = Annotated[Figure, Sourced(Real(above=0))]
_Share = Annotated[Figure, Sourced(Real(above=0, most=1, per_cent=True))]
_GROWTH = Real(above=-1, most=HIGHEST_GROWTH, per_cent=True)
_Growth = Annotated[float, _GROWTH]


class _Costs(Record):
    works_like: Name = note("site of the network whose shifts, steps and outside services it would have")
    fixed_per_year: _Cents = note("rent, insurance, management a year")
    opening: _Cents = note("paid once to open", default=Figure(0.0, "default"))
    labour_per_h: _Cents | None = note("left out: as at works_like", default=None)
    energy_per_kwh: _FromZero | None = note("currency a kWh; left out: as at works_like", default=None)
    grid_kg_co2e_per_kwh: _FromZero | None = note("left out: as at works_like", default=None)
    credentials: list[Name] = note("codes it would hold", default=[])


class CandidateRecord(_Costs):
    """A place named."""

    id: Name = note("short name, no site of the network")
    name: Line | None = note("left out: the place", default=None)
    place: PlaceRecord = note("where it is: country with city, postcode or coordinates")


class GazetteerRecord(_Costs):
    """All larger cities of a country."""

    country: Country = note("two-letter country code (ISO 3166-1)")
    least_people: Annotated[int, Whole(15_000, 100_000_000)] = note("cities of so many people and more")
    most: Annotated[int, Whole(1, 200)] = note("at most so many, largest first", default=20)


class PackageRecord(Record):
    """A machine with its alloys."""

    id: Name = note("short name")
    name: Line | None = note("left out: the id", default=None)
    machine_like: Name = note("machine of the network that it would build like")
    alloys: list[Name] = note("alloys it would build, all of them the like machine's", min_length=1)
    capex: _Cents = note("paid once, powder handling and installation included")
    staff_per_year: _Cents = note("people it takes a year beyond loading and unloading")
    hours_per_year: _Positive = note("machine hours it can run in a year")
    ramp_up_months: _FromZero = note("months of staff before it builds", default=Figure(0.0, "default"))
    most_per_site: Annotated[int, Whole(1, 50)] = note("at most so many at a site", default=4)


class TermsRecord(Record):
    """What holds for the whole question."""

    history_days: _Positive = note("days of demand the order book stands for")
    growth: Annotated[Figure, Sourced(_GROWTH)] = note("0.2: a fifth more than the history")
    plate_fill: _Share = note("share of a plate used on average")
    existing_hours_per_year: _Positive = note("machine hours a year of a machine there is")
    rate_avoided: Annotated[Figure, Sourced(Real(least=0, most=1, per_cent=True))] = note(
        "share of the hourly rate of a machine there is that is saved when it stands"
    )
    bought_per_h: _Cents = note("price of a machine hour bought elsewhere, all included")
    life_years: Annotated[Figure, Sourced(Real(above=0, most=LONGEST_LIFE_YEARS))] = note(
        "years over which investments are spread"
    )
    discount_rate: Annotated[Figure, Sourced(Real(least=0, most=1, per_cent=True))] = note("a year, 0.08 for 8 %")
    freight_factor: _FromZero = note("on today's freight prices", default=Figure(1.0, "default"))
    carbon_factor: _FromZero = note("on today's carbon price", default=Figure(1.0, "default"))


class SwingRecord(Record):
    """A low and a high value."""

    low: Annotated[float, Real()] = note("low value")
    high: Annotated[float, Real()] = note("high value")

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        require(self.low < self.high, "a low value below the high one", "low", self.low)
        return self


class SwingsRecord(Record):
    """Inputs to be varied one at a time."""

    growth: SwingRecord | None = note("as in terms", default=None)
    freight_factor: SwingRecord | None = note("as in terms", default=None)
    carbon_factor: SwingRecord | None = note("as in terms", default=None)
    capex_factor: SwingRecord | None = note("on capex and opening", default=None)
    plate_fill: SwingRecord | None = note("as in terms", default=None)
    existing_hours_per_year: SwingRecord | None = note("as in terms", default=None)
    rate_avoided: SwingRecord | None = note("as in terms", default=None)
    bought_per_h: SwingRecord | None = note("currency an hour", default=None)
    discount_rate: SwingRecord | None = note("as in terms", default=None)


class GridRecord(Record):
    """Steps of the break-even map."""

    growth: list[_Growth] = note("growth, rising", min_length=1, max_length=15)
    freight_factor: list[Annotated[float, Real(least=0)]] = note("factors, rising", min_length=1, max_length=15)


class QuestionRecord(Record):
    """The file."""

    format: Annotated[str, Choice((FORMAT,))] = note(f"'{FORMAT}'")
    name: Line = note("what is asked")
    invented: Flag = note("true for demonstration data", default=False)
    terms: TermsRecord = note("what holds for the whole question")
    candidates: list[CandidateRecord] = note("places named", default=[])
    gazetteer: list[GazetteerRecord] = note("cities of a country", default=[])
    packages: list[PackageRecord] = note("machines that can be bought", min_length=1)
    swings: SwingsRecord = note("inputs varied one at a time", default=SwingsRecord())
    grid: GridRecord | None = note("break-even map; left out: none", default=None)


def read_siting(raw: bytes, network: Network, file: str = "candidates.yaml") -> SitingQuestion:
    """The question of a file, to a network. Raises FaultyInput with every fault."""
    document = read_yaml(raw, file)
    faults = list(document.faults)
    data = document.data
    if not isinstance(data, dict):
        if data is not None or not faults:
            faults.append(Fault(file, "", "", found(data), "a YAML mapping of fields"))
        raise FaultyInput(faults)
    places = Places(file, document)
    try:
        record = QuestionRecord.model_validate(data, context={"zone": None})
    except ValidationError as error:
        faults += structure_faults(QuestionRecord, data, error, places)
        raise FaultyInput(told_once([*faults, *reference_faults(data, network, places)])) from error
    faults += reference_faults(data, network, places)
    if faults:
        raise FaultyInput(faults)
    candidates: list[Candidate] = []
    for named in record.candidates:
        where = named.place
        place = resolve_place(where.country, where.city, where.postcode, where.latitude, where.longitude)
        candidates.append(_candidate(named, named.id, named.name or place.label(), place))
    for entry in record.gazetteer:
        candidates += _cities(entry, {c.candidate_id for c in candidates} | {s.site_id for s in network.sites})
    return _question(record, tuple(candidates), _unsourced(record))


def _candidate(record: _Costs, candidate_id: str, name: str, place: Place) -> Candidate:
    energy = record.energy_per_kwh
    return Candidate(
        candidate_id=candidate_id,
        name=name,
        place=place,
        works_like=record.works_like,
        fixed_cents_per_year=record.fixed_per_year,
        opening_cents=record.opening,
        labour_cents_per_h=record.labour_per_h,
        energy_cents_per_kwh=None if energy is None else Figure(energy.value * 100, energy.source),
        grid_kg_co2e_per_kwh=record.grid_kg_co2e_per_kwh,
        credentials=tuple(record.credentials),
    )


def _cities(record: GazetteerRecord, taken: set[str]) -> list[Candidate]:
    """Cities of the country, largest first, under names of their own."""
    large = [c for c in cities().get(record.country, ()) if c.population >= record.least_people]
    large.sort(key=lambda c: (-c.population, c.name))
    made = []
    for city in large[: record.most]:
        plain = "".join(ch for ch in city.name if ch.isascii() and ch.isalnum())[:30] or record.country
        candidate_id, n = plain, 2
        while candidate_id in taken:
            candidate_id, n = f"{plain}-{n}", n + 1
        taken.add(candidate_id)
        place = Place(city.name, record.country, city.latitude_deg, city.longitude_deg)
        made.append(_candidate(record, candidate_id, city.label(), place))
    return made


def _question(
    record: QuestionRecord, candidates: tuple[Candidate, ...], open_points: tuple[str, ...]
) -> SitingQuestion:
    terms = record.terms
    swings = []
    for name in SwingsRecord.model_fields:
        swing = getattr(record.swings, name)
        if swing is not None:
            scale, field = (100, "bought_cents_per_h") if name == "bought_per_h" else (1, name)
            swings.append((field, Swing(swing.low * scale, swing.high * scale)))
    return SitingQuestion(
        name=record.name,
        invented=record.invented,
        terms=SitingTerms(
            history_days=terms.history_days,
            growth=terms.growth,
            plate_fill=terms.plate_fill,
            existing_hours_per_year=terms.existing_hours_per_year,
            rate_avoided=terms.rate_avoided,
            bought_cents_per_h=terms.bought_per_h,
            life_years=terms.life_years,
            discount_rate=terms.discount_rate,
            freight_factor=terms.freight_factor,
            carbon_factor=terms.carbon_factor,
        ),
        candidates=candidates,
        packages=tuple(
            Package(
                package_id=p.id,
                name=p.name or p.id,
                machine_like=p.machine_like,
                alloys=tuple(p.alloys),
                capex_cents=p.capex,
                staff_cents_per_year=p.staff_per_year,
                hours_per_year=p.hours_per_year,
                ramp_up_months=p.ramp_up_months,
                most_per_site=p.most_per_site,
            )
            for p in record.packages
        ),
        swings=tuple(swings),
        growth_steps=tuple(record.grid.growth) if record.grid else (),
        freight_steps=tuple(record.grid.freight_factor) if record.grid else (),
        assumptions=open_points,
    )


def _unsourced(record: QuestionRecord) -> tuple[str, ...]:
    """Fields of the file that give a number without a source."""
    said: list[str] = []
    groups: list[tuple[str, Record]] = [("terms", record.terms)]
    groups += [(f"candidates {c.id}", c) for c in record.candidates]
    groups += [(f"gazetteer {g.country}", g) for g in record.gazetteer]
    groups += [(f"packages {p.id}", p) for p in record.packages]
    for where, group in groups:
        for name in type(group).model_fields:
            value = getattr(group, name)
            if isinstance(value, Figure) and value.source is None:
                said.append(f"{where}, {name}")
    return tuple(said)
