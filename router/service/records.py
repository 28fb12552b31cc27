"""What the service keeps, as values: nothing here knows a database, a page or a request."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from enum import StrEnum
from typing import Any


class LineStanding(StrEnum):
    """What is to be done with an order line."""

    OPEN = "open"
    """In every plan."""
    HELD = "held"
    """Left out of plans until it is released."""
    WITHDRAWN = "withdrawn"
    """Cancelled by the customer; kept for the record."""

    @property
    def closed(self) -> bool:
        """Whether the line changes no more and is in no plan to come."""
        return self is LineStanding.WITHDRAWN


@dataclass(frozen=True, slots=True)
class LineRecord:
    """One order line as it stands: the cells of the order book, and what a planner decided about it."""

    line_id: str
    order_id: str
    customer: str
    model: str
    alloy_id: str
    quantity: int
    ship_place: str
    """Place as a person reads it, e.g. ``Lyon, FR``."""
    received_at: datetime
    release_at: datetime
    due_date: date
    export_control: str | None
    cells: Mapping[str, str]
    """Every filled cell of the order book by column name (formats.order_book.COLUMNS); the source of truth."""
    standing: LineStanding = LineStanding.OPEN
    why_held: str = ""
    pinned_site: str | None = None
    """The only site that may build it, by decision of a planner."""
    version: int = 1
    """Counts changes; a change must name the version it saw."""

    def decided_as(self, before: LineRecord) -> LineRecord:
        """This line with what a planner decided about the one before it, and its version."""
        return replace(
            self,
            standing=before.standing,
            why_held=before.why_held,
            pinned_site=before.pinned_site,
            version=before.version,
        )


@dataclass(frozen=True, slots=True)
class FormerName:
    """A name that stood on a line: of its order, customer, model or place."""

    line_id: str
    name: str
    export_control: str | None
    """Code of the line while it had the name."""


@dataclass(frozen=True, slots=True)
class ModelRecord:
    """A part model by content."""

    sha256: str
    name: str
    """File name the order book uses; a name stands for one content at a time."""
    size_bytes: int
    added_at: datetime
    export_codes: tuple[str, ...] = ()
    """Export codes of the lines that use it or, once none does, of those that did last; none as soon as a line of no
    code uses it. Of a model that no line has used yet: what the person who brought it is cleared for."""


@dataclass(frozen=True, slots=True)
class NetworkRecord:
    """One edition of the network file. Never edited; a change is the next version."""

    version: int
    raw: bytes
    """Exactly what ``network.yaml`` holds."""
    sha256: str
    saved_at: datetime
    saved_by: str
    note: str


@dataclass(frozen=True, slots=True)
class NetworkHead:
    """An edition of the network file without what it says."""

    version: int
    sha256: str
    saved_at: datetime
    saved_by: str
    note: str


@dataclass(frozen=True, slots=True)
class WhatIfRecord:
    """A what-if file that is kept; what its text says is read whenever it is asked for."""

    what_if_id: int
    file: str
    """Name by which another one goes on from it; unique."""
    raw: bytes
    saved_at: datetime
    saved_by: str
    version: int = 1


class PlanStanding(StrEnum):
    PROPOSED = "proposed"
    LIVE = "live"
    """The one the shop works to; at most one."""
    SUPERSEDED = "superseded"
    """Was live once."""
    SET_ASIDE = "set aside"
    """Was proposed and not taken."""


@dataclass(frozen=True, slots=True)
class PlanHead:
    """A plan without its body. Plans are never edited: an edit is a new plan with ``parent`` set."""

    plan_id: int
    standing: PlanStanding
    book_revision: int
    """State of the book it was made from."""
    scenario_fingerprint: str
    made_at: datetime
    made_by: str
    """Name of the person who asked for it."""
    how: str
    """``optimizer``, ``moved by hand``, ``imported`` ..."""
    note: str
    parent: int | None
    job_id: str | None
    currency: str
    kpis: Mapping[str, Any]
    """Fields of domain.result.Kpis as JSON values."""
    bound_cents: int | None
    gap: float | None
    findings: int
    """Faults the auditor found; a plan with any cannot go live."""
    version: int = 1

    @property
    def partial(self) -> bool:
        """Whether figures of all lines are not told (None): the reader is not cleared for every line."""
        return bool(self.kpis) and self.kpis.get("landed_cents") is None


class EventKind(StrEnum):
    """What happened on the shop floor or in the book."""

    BUILD_STARTED = "build started"
    BUILD_FINISHED = "build finished"
    BUILD_FAILED = "build failed"
    PIECES_SCRAPPED = "pieces scrapped"
    MACHINE_DOWN = "machine down"
    MACHINE_UP = "machine up"
    SHIPMENT_SENT = "shipment sent"
    EVENT_WITHDRAWN = "event withdrawn"
    """An earlier event is not so; ``details`` name it (``withdraws``) and say why."""


@dataclass(frozen=True, slots=True)
class EventRecord:
    """A fact: added once, never changed. ``occurred_at`` on the floor, ``recorded_at`` here."""

    event_id: int
    kind: EventKind
    occurred_at: datetime
    recorded_at: datetime
    by: str
    site_id: str | None
    subject: str
    """Build, machine or shipment by the name people knew it by."""
    details: Mapping[str, Any] = field(default_factory=dict)
    lasting_id: str | None = None
    """Identity of the build it is about (domain.plan.Build); names are used again by later plans."""


@dataclass(frozen=True, slots=True)
class TrailRecord:
    """Who did what through the service; every change leaves one."""

    trail_id: int
    at: datetime
    by: str
    operation: str
    subject: str
    details: Mapping[str, Any]


class JobKind(StrEnum):
    PLAN = "plan"
    """Plan the whole book."""
    ELSEWHERE = "elsewhere"
    """One line forced to each site in turn, the rest solved around it."""
    COMPARISON = "comparison"
    """What-ifs lived through beside the base."""
    HOLD = "hold trial"
    """Rules of holding plates open lived through beside never holding."""
    SITES = "site choice"
    """Where new sites should stand."""


class JobStanding(StrEnum):
    QUEUED = "queued"
    RUNNING = "running"
    STOPPING = "stopping"
    """Asked to stop; the best so far will be kept."""
    DONE = "done"
    FAILED = "failed"
    CANCELLED = "cancelled"
    """Stopped before there was anything to keep."""

    @property
    def ended(self) -> bool:
        """Whether nobody works on it any more."""
        return self in (JobStanding.DONE, JobStanding.FAILED, JobStanding.CANCELLED)


@dataclass(frozen=True, slots=True)
class JobRecord:
    """Long work as a row. ``result`` names what came of it (``{"plan_id": 3}``)."""

    job_id: str
    kind: JobKind
    standing: JobStanding
    asked_at: datetime
    asked_by: str
    params: Mapping[str, Any]
    phase: str
    done: int | None
    """Steps of the phase; kept always a number, None where a reader is not told it (steps may be lines)."""
    total: int | None
    best_cents: int | None
    bound_cents: int | None
    claimed_by: str | None
    heartbeat_at: datetime | None
    attempt: int
    started_at: datetime | None
    ended_at: datetime | None
    why: str
    """Stop reason or failure, for people."""
    result: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class LifeRecord:
    """Figures of one replication of one scenario of a comparison (0: the base), kept as it comes."""

    job_id: str
    scenario: int
    number: int
    content: str
    """Hash of the book it was drawn from and of the rules it was lived by."""
    figures: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class JobPoint:
    """Something a running job reported: ``kind`` is phase, incumbent, bound or ended."""

    job_id: str
    number: int
    kind: str
    seconds: float
    value: float | None
    text: str


class Role(StrEnum):
    VIEWER = "viewer"
    PLANNER = "planner"
    SITE_OPERATOR = "site operator"
    ADMINISTRATOR = "administrator"


@dataclass(frozen=True, slots=True)
class Person:
    """Someone with a log-in. ``sites`` limit a site operator; ``cleared_codes`` are export codes the person may see."""

    person_id: int
    name: str
    """Log-in name, unique, compared without case."""
    role: Role
    sites: frozenset[str] = frozenset()
    cleared_codes: frozenset[str] = frozenset()
    active: bool = True
    must_change_password: bool = False
    version: int = 1


@dataclass(frozen=True, slots=True)
class Actor:
    """Whoever asks: a person, perhaps through a token that may do less."""

    person: Person
    scopes: frozenset[str] | None = None
    """None: everything the role may; otherwise only these (``read``, ``book``, ``plan``, ``floor``, ``admin``)."""

    @property
    def name(self) -> str:
        return self.person.name
