"""What is asked when a site is to be added: places, packages of machines, and every assumption with its source."""

from __future__ import annotations

from dataclasses import dataclass

from router.domain.places import Place


@dataclass(frozen=True, slots=True)
class Figure:
    """A number and where it comes from; without a source it is an assumption and is shown as one."""

    value: float
    source: str | None = None


@dataclass(frozen=True, slots=True)
class Candidate:
    """A place where a site could stand. Money in cents."""

    candidate_id: str
    name: str
    place: Place
    works_like: str
    """A site of the network whose shifts, steps after the build and outside services it would have."""
    fixed_cents_per_year: Figure
    """Rent, insurance, management: paid whatever stands there."""
    opening_cents: Figure
    """Paid once."""
    labour_cents_per_h: Figure | None
    """None: as at the site it works like; so with the two below."""
    energy_cents_per_kwh: Figure | None
    grid_kg_co2e_per_kwh: Figure | None
    credentials: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Package:
    """A machine with its alloys, to be bought for a new site."""

    package_id: str
    name: str
    machine_like: str
    """A machine of the network that it would build like."""
    alloys: tuple[str, ...]
    capex_cents: Figure
    staff_cents_per_year: Figure
    hours_per_year: Figure
    """Machine hours it can really run in a year."""
    ramp_up_months: Figure
    """Months of staff paid before it builds; they count as part of the investment."""
    most_per_site: int


@dataclass(frozen=True, slots=True)
class Swing:
    """A low and a high value of an input, for the table of sensitivities."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class SitingTerms:
    """What holds for the whole question."""

    history_days: Figure
    """Days of demand the order book stands for."""
    growth: Figure
    """Yearly demand against the history, as a share: 0.2 is a fifth more."""
    plate_fill: Figure
    """Share of a plate's area that is used on average, in (0, 1]."""
    existing_hours_per_year: Figure
    """Machine hours a year of a machine there is."""
    rate_avoided: Figure
    """Share of the hourly rate of a machine there is that is saved for an hour it stands: what is paid off or paid
    anyway is not saved by building elsewhere. In [0, 1]."""
    bought_cents_per_h: Figure
    """Price of a machine hour bought elsewhere for what the network cannot build: build, steps and freight."""
    life_years: Figure
    discount_rate: Figure
    freight_factor: Figure
    """On today's freight prices."""
    carbon_factor: Figure
    """On today's carbon price."""


@dataclass(frozen=True, slots=True)
class SitingQuestion:
    """The whole input file. ``swings``: by the name of a field of the terms, or ``capex_factor``."""

    name: str
    invented: bool
    terms: SitingTerms
    candidates: tuple[Candidate, ...]
    packages: tuple[Package, ...]
    swings: tuple[tuple[str, Swing], ...]
    growth_steps: tuple[float, ...]
    freight_steps: tuple[float, ...]
    assumptions: tuple[str, ...]
    """Fields without a source, as the file names them."""
