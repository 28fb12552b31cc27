"""What a planning run hands over: the plan, today's habit beside it, the bound, the options of every line."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from router.domain.plan import Plan


@dataclass(frozen=True, slots=True)
class Kpis:
    """Key figures of one plan. Money in cents."""

    landed_cents: int
    build_cents: int
    changeover_cents: int
    after_build_cents: int
    freight_cents: int
    carbon_cents: int
    lateness_cents: int
    lines_planned: int
    lines_unplanned: int
    late_lines: int
    late_days: int
    """Sum over lines of the days of their latest shipment."""
    on_time_share: float
    builds: int
    mean_fill: float
    """Net footprint area over plate area inside the edge margin, all builds together."""
    machine_h: float
    changeover_h: float
    shipment_km: float
    tonne_km: float
    co2e_kg: float
    nearest_site_share: float
    """Lines built at the nearest site that could build them."""
    mean_lead_days: float
    """Release to arrival, calendar days, mean over shipments weighted by share of line."""
    last_unload: datetime | None


@dataclass(frozen=True, slots=True)
class SiteOption:
    """One site as a place to build one line, given the rest of the plan as it stands."""

    site_id: str
    possible: bool
    reasons: tuple[str, ...]
    """Why not, when not possible."""
    chosen: bool
    fair_cents: int | None
    """Landed cost of the line on its fair share of the plates it would be on."""
    marginal_cents: int | None
    """What the whole plan's landed cost rises by when the line is built here; None where it is not known, or counts
    money of lines that its reader is not told of."""
    ready_at: datetime | None
    arrive_date: date | None
    late_days: int | None
    co2e_kg: float | None
    distance_km: float | None
    carrier_id: str | None
    machine_id: str | None
    orientation: str | None
    joins_build_id: str | None
    """Build of the plan it would join; None when it would start a plate of its own."""
    fill_before: float | None
    fill_after: float | None


@dataclass(frozen=True, slots=True)
class LineOptions:
    """The ship-versus-local table of one line and why the chosen site won."""

    line_id: str
    chosen_site_ids: tuple[str, ...]
    sentence: str
    sites: tuple[SiteOption, ...]


@dataclass(frozen=True, slots=True)
class TracePoint:
    """An incumbent of the run: seconds since the start, work units, landed cost."""

    seconds: float
    work: int
    landed_cents: int


@dataclass(frozen=True, slots=True)
class Result:
    """Everything a planning run reports."""

    plan: Plan
    kpis: Kpis
    habit: Plan
    habit_kpis: Kpis
    bound_cents: int | None
    """No plan of this scenario can have a lower landed cost; None when not proven."""
    gap: float | None
    """(landed - bound) / landed."""
    status: str
    stop_reason: str
    seed: int
    work: int
    seconds: float
    workers: int
    trace: tuple[TracePoint, ...]
    options: tuple[LineOptions, ...]
    versions: tuple[tuple[str, str], ...]
    left_out: tuple[str, ...] = ()
    """What of the plan it began with could not be taken up or kept, for people."""
