"""A plan: what is built where and when, how it travels, what it costs. See RULES.md beside this file."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime


@dataclass(frozen=True, slots=True)
class PlacedPiece:
    """A piece on a plate: rotate the oriented footprint by ``angle_deg`` about its origin, then shift by (x, y).

    ``line_id`` None is a witness coupon (footprint: a square of the coupon's side, lower-left at the origin).
    """

    line_id: str | None
    orientation: str
    x_mm: float
    y_mm: float
    angle_deg: float


@dataclass(frozen=True, slots=True)
class Changeover:
    """Change of alloy ahead of a build."""

    leaving_alloy_id: str
    entering_alloy_id: str
    start: datetime
    end: datetime
    cost_cents: int


@dataclass(frozen=True, slots=True)
class BuildCost:
    """Itemised cost of one build in cents (RULES.md, section 4)."""

    machine_cents: int
    plate_cents: int
    powder_cents: int
    gas_cents: int
    energy_cents: int
    labour_cents: int

    @property
    def total_cents(self) -> int:
        return (
            self.machine_cents
            + self.plate_cents
            + self.powder_cents
            + self.gas_cents
            + self.energy_cents
            + self.labour_cents
        )


@dataclass(frozen=True, slots=True)
class LineShare:
    """What one line bears of a build's cost and of its plate steps."""

    line_id: str
    pieces: int
    build_cents: int
    plate_steps_cents: int


@dataclass(frozen=True, slots=True)
class Build:
    """One run of one machine."""

    build_id: str
    machine_id: str
    parameter_set_id: str
    changeover: Changeover | None
    load_start: datetime
    run_start: datetime
    run_end: datetime
    unload_start: datetime
    unload_end: datetime
    pieces: tuple[PlacedPiece, ...]
    height_mm: float
    layers: int
    exposure_s: float
    fill: float
    """Net footprint area over the plate's area inside the edge margin."""
    cost: BuildCost
    plate_steps_cents: int
    kwh: float
    co2e_kg: float
    carbon_cents: int
    shares: tuple[LineShare, ...]
    lasting_id: str = ""
    """Identity that goes with the build into plans made from this one, whatever its name there; given when a plan is
    kept, empty before."""

    def pieces_by_line(self) -> Counter[str]:
        """How many pieces of each line stand on it; coupons do not count."""
        return Counter(p.line_id for p in self.pieces if p.line_id is not None)


@dataclass(frozen=True, slots=True)
class Lot:
    """The pieces of one line from one build, on their way through the steps after the plate."""

    line_id: str
    build_id: str
    pieces: int
    ready_at: datetime
    outside: tuple[str, ...]
    """Outside services used, in route order."""
    cost_cents: int


@dataclass(frozen=True, slots=True)
class Shipment:
    """One consignment of one line from one site."""

    shipment_id: str
    line_id: str
    site_id: str
    build_ids: tuple[str, ...]
    pieces: int
    carrier_id: str
    ready_at: datetime
    dispatch_date: date
    arrive_date: date
    late_days: int
    mass_kg: float
    chargeable_kg: float
    distance_km: float
    freight_cents: int
    co2e_kg: float
    carbon_cents: int
    late_cents: int


@dataclass(frozen=True, slots=True)
class Unplanned:
    """A line the plan leaves out, with every reason."""

    line_id: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Totals:
    """The plan's cost by component, in cents."""

    build_cents: int
    changeover_cents: int
    after_build_cents: int
    freight_cents: int
    carbon_cents: int
    lateness_cents: int

    @property
    def landed_cents(self) -> int:
        return (
            self.build_cents
            + self.changeover_cents
            + self.after_build_cents
            + self.freight_cents
            + self.carbon_cents
            + self.lateness_cents
        )


@dataclass(frozen=True, slots=True)
class Plan:
    """A whole plan of a scenario."""

    scenario_fingerprint: str
    made_by: str
    """Name of the method: ``optimizer`` or ``today's habit``."""
    seed: int
    now: datetime
    builds: tuple[Build, ...]
    lots: tuple[Lot, ...]
    shipments: tuple[Shipment, ...]
    unplanned: tuple[Unplanned, ...]
    totals: Totals

    def last_arrivals(self) -> dict[str, tuple[date, int]]:
        """Day and days late of the latest shipment of every line that ships."""
        last: dict[str, tuple[date, int]] = {}
        for shipment in self.shipments:
            seen = (shipment.arrive_date, shipment.late_days)
            last[shipment.line_id] = max(last.get(shipment.line_id, seen), seen)
        return last
