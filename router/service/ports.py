"""What the service asks of whoever keeps its records. `router.store` answers; tests may answer otherwise."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from router.kernel.packing import packed
from router.service.records import (
    EventRecord,
    FormerName,
    JobPoint,
    JobRecord,
    JobStanding,
    LifeRecord,
    LineRecord,
    ModelRecord,
    NetworkHead,
    NetworkRecord,
    Person,
    PlanHead,
    PlanStanding,
    TrailRecord,
    WhatIfRecord,
)


@dataclass(frozen=True, slots=True)
class LineFilter:
    """Which lines of the book; empty fields do not restrict. ``codes`` are the export codes the asker may see."""

    codes: frozenset[str] | None = None
    """None: all; else lines without a code and lines with one of these."""
    text: str = ""
    """Words that must all occur in line, order, customer, model or place."""
    standing: str = ""
    alloy_id: str = ""
    pinned_site: str = ""


SORTS = ("due_date", "line_id", "received_at", "customer", "quantity", "alloy_id")


class Lines(Protocol):
    def get(self, line_id: str) -> LineRecord | None: ...
    def several(self, line_ids: Collection[str]) -> dict[str, LineRecord]:
        """Those of the lines that are there, by name."""
        ...

    def all(self) -> list[LineRecord]: ...
    def page(
        self, wanted: LineFilter, sort: str, descending: bool, after: tuple[str, str] | None, limit: int
    ) -> list[LineRecord]: ...
    def count(self, wanted: LineFilter) -> int: ...
    def any_beyond(self, codes: Collection[str]) -> bool:
        """Whether a line that is not closed is under an export code that is none of these."""
        ...

    def add(self, lines: Iterable[LineRecord]) -> None: ...
    def change(self, line: LineRecord, seen_version: int) -> LineRecord:
        """Keep ``line`` with the next version. Raises Conflict when ``seen_version`` is not the kept one."""
        ...

    def former_names(self) -> list[FormerName]:
        """Names that lines had before."""
        ...

    def remember(self, names: Iterable[FormerName]) -> None:
        """Keep names a line had; those known already stay as they are."""
        ...


class Models(Protocol):
    def by_name(self, name: str) -> ModelRecord | None: ...
    def all(self) -> list[ModelRecord]: ...
    def content(self, sha256: str) -> bytes | None: ...
    def put(self, record: ModelRecord, content: bytes) -> None:
        """Keep a content and let the name stand for it."""
        ...

    def mark(self, name: str, export_codes: Sequence[str]) -> None:
        """Say under which export codes the model of that name was used last."""
        ...


class Networks(Protocol):
    def latest(self) -> NetworkRecord | None: ...
    def head(self) -> NetworkHead | None:
        """Of the newest edition; its text is not read."""
        ...

    def get(self, version: int) -> NetworkRecord | None: ...
    def heads(self, limit: int, before: int | None = None) -> list[NetworkHead]:
        """Newest first, below ``before``; no text is read."""
        ...

    def add(self, record: NetworkRecord) -> None: ...


@dataclass(frozen=True, slots=True)
class PlanBody:
    """A plan in full: the result and what it was made from as JSON texts, and the auditor's sentences."""

    result_json: str
    scenario_json: str
    findings: tuple[str, ...]
    checks: int

    def packed(self) -> PackedBody:
        """The same as it is kept. Of a large plan this takes long: not for while others wait to write."""
        return PackedBody(packed(self.result_json), packed(self.scenario_json), self.findings, self.checks)


@dataclass(frozen=True, slots=True)
class PackedBody:
    """A plan in full with its texts compressed (kernel.packing)."""

    result: bytes
    scenario: bytes
    findings: tuple[str, ...]
    checks: int


class Plans(Protocol):
    def head(self, plan_id: int) -> PlanHead | None: ...
    def heads(self, limit: int, before: int | None = None) -> list[PlanHead]:
        """Newest first, below ``before``."""
        ...

    def live(self) -> PlanHead | None: ...
    def body(self, plan_id: int) -> PlanBody | None: ...
    def add(self, head: PlanHead, body: PackedBody) -> PlanHead:
        """Keep a plan under the next number; ``head.plan_id`` is not read."""
        ...

    def stand(self, plan_id: int, standing: PlanStanding, seen_version: int) -> PlanHead:
        """Change the standing. Raises Conflict for a stale version."""
        ...


class Pins(Protocol):
    """Builds of plans that stay as they are."""

    def of(self, plan_id: int, since: datetime | None = None) -> Mapping[str, str]:
        """Names of pinned builds (``since``: of those pinned from then on), and who pinned them."""
        ...

    def put(self, plan_id: int, pins: Mapping[str, str], at: datetime) -> None:
        """Pin builds; those pinned already stay as they were."""
        ...

    def drop(self, plan_id: int, build_id: str) -> bool:
        """Whether there was such a pin."""
        ...


class WhatIfs(Protocol):
    """Kept what-if files."""

    def get(self, what_if_id: int) -> WhatIfRecord | None: ...
    def named(self, file: str) -> WhatIfRecord | None:
        """By its exact file name."""
        ...

    def all(self) -> list[WhatIfRecord]:
        """By file name."""
        ...

    def add(self, record: WhatIfRecord) -> WhatIfRecord:
        """Keep it under the next number; ``record.what_if_id`` is not read."""
        ...

    def change(self, record: WhatIfRecord, seen_version: int) -> WhatIfRecord:
        """Keep ``record`` with the next version. Raises NotFound or Stale."""
        ...

    def drop(self, what_if_id: int, seen_version: int) -> None:
        """Raises NotFound or Stale."""
        ...


class Events(Protocol):
    def add(self, event: EventRecord) -> EventRecord: ...
    def page(self, after: int, limit: int) -> list[EventRecord]: ...
    def latest(self, before: int | None, limit: int) -> list[EventRecord]:
        """Newest recorded first, below ``before``."""
        ...

    def withdrawals(self, after: int) -> list[EventRecord]:
        """Events recorded after one that say of an earlier one that it is not so."""
        ...

    def last_id(self) -> int:
        """Number of the event recorded last; 0 without any."""
        ...

    def all(self) -> list[EventRecord]: ...
    def get(self, event_id: int) -> EventRecord | None: ...
    def of_build(self, lasting_id: str) -> list[EventRecord]: ...


class Trail(Protocol):
    def add(self, at: datetime, by: str, operation: str, subject: str, details: Mapping[str, Any]) -> None: ...
    def page(self, before: int | None, limit: int, subject: str = "") -> list[TrailRecord]: ...

    def book_changes(self, since: int, before: int | None, limit: int) -> list[TrailRecord]:
        """Entries of changes of the book after revision ``since``, newest first, below entry ``before``."""
        ...


class Revision(Protocol):
    def hold(self) -> None:
        """Have everybody else who holds or raises it wait until this transaction ends, then see what it kept."""
        ...

    def now(self) -> int: ...
    def raise_it(self) -> int: ...


@dataclass(frozen=True, slots=True)
class Receipt:
    """The answer to a request that named a key, kept so that a repeated request gets it again."""

    key: str
    by: str
    request_sha256: str
    answer: Mapping[str, Any]
    at: datetime


class Receipts(Protocol):
    def hold(self, by: str, key: str) -> None:
        """Have everybody else who holds the key wait until this transaction ends, then see what it kept."""
        ...

    def get(self, by: str, key: str) -> Receipt | None: ...
    def add(self, receipt: Receipt) -> None: ...
    def forget_before(self, moment: datetime) -> int: ...


class Previews(Protocol):
    def put(self, import_id: str, by: str, at: datetime, payload: bytes) -> None: ...
    def get(self, import_id: str) -> tuple[str, datetime, bytes] | None: ...
    def drop(self, import_id: str) -> None: ...
    def forget_before(self, moment: datetime) -> int: ...


JobPlace = tuple[datetime, str]
"""Where a job stands in lists: when it was asked for and, of one moment, its id (lower than every id when empty)."""
LONG_PARAMS = ("text", "texts")
"""Whole files a job was asked with."""


class Jobs(Protocol):
    def add(self, job: JobRecord) -> None: ...
    def get(self, job_id: str) -> JobRecord | None: ...
    def head(self, job_id: str) -> JobRecord | None:
        """The job without what may be long, which is not read: texts it was asked with, lists and tables it made."""
        ...

    def heads(self, before: JobPlace | None, limit: int) -> list[JobRecord]:
        """Such heads, those asked for last first, after a place in that order."""
        ...

    def claim(self, worker: str, now: datetime, lease_s: float, most_attempts: int) -> JobRecord | None:
        """The oldest job nobody works on (or whose worker has been silent for ``lease_s``), now claimed.

        Simulations and choices of sites only while no plan is waited for.
        """
        ...

    def must_give_way(self, job_id: str, now: datetime, lease_s: float, free_s: float, most_attempts: int) -> bool:
        """Whether a simulation or a choice of sites under way has to make room for a run that goes before it.

        That is so when nobody took the run up in ``free_s`` seconds. For each one of them gives way, the one asked for
        last first; a choice of sites, of which nothing is kept, only after the simulations, and not on the last of its
        ``most_attempts``.
        """
        ...

    def beat(self, job_id: str, worker: str, now: datetime) -> JobStanding | None:
        """Say that the worker lives; the job's standing, or None when the job is no longer this worker's."""
        ...

    def ask_to_stop(self, job_id: str, now: datetime, why: str, lease_s: float) -> bool:
        """Cancel a job nobody works on, ask a running one to stop. False, and nothing changed, when it is neither.

        Nobody works on one whose worker has been silent for longer than the lease: should that one speak again, the
        job is not its own any more. Whatever a worker writes at the same moment, a job that has ended stays as it
        ended.
        """
        ...

    def keep(self, job: JobRecord) -> None:
        """Write the whole row; for the worker whose claim a ``beat`` of the same transaction has made sure of."""
        ...

    def add_points(self, points: Sequence[JobPoint]) -> None: ...
    def points(self, job_id: str, after: int, limit: int) -> list[JobPoint]: ...
    def latest_points(self, job_id: str, limit: int) -> list[JobPoint]:
        """The last ones, in the order they were reported."""
        ...

    def add_life(self, life: LifeRecord) -> None: ...
    def has_life(self, job_id: str, scenario: int, number: int) -> bool: ...
    def lives(self, job_id: str, content: str | None = None) -> list[LifeRecord]:
        """Lives of a comparison; with ``content`` those of another book are dropped first."""
        ...

    def keep_scenario(self, job_id: str, text: str) -> None:
        """What a job works on, so that a later attempt works on the same; dropped when the job ends."""
        ...

    def scenario(self, job_id: str) -> str | None: ...


@dataclass(frozen=True, slots=True)
class Secret:
    """A session or token: only the hash of what its owner holds."""

    sha256: str
    kind: str
    """``session`` or ``token``."""
    person_id: int
    name: str
    scopes: frozenset[str] | None
    made_at: datetime
    used_at: datetime
    ends_at: datetime


class People(Protocol):
    def get(self, person_id: int) -> Person | None: ...
    def named(self, name: str) -> tuple[Person, str] | None:
        """The person of a log-in name and the hash of the password."""
        ...

    def all(self) -> list[Person]: ...
    def hold_administrators(self) -> None:
        """Until the transaction ends nobody else changes who runs the place."""
        ...

    def add(self, person: Person, password_hash: str) -> Person: ...
    def change(self, person: Person, seen_version: int, password_hash: str | None = None) -> Person: ...
    def put_secret(self, secret: Secret) -> None: ...
    def secret(self, sha256: str) -> Secret | None: ...
    def secrets(self, person_id: int, kind: str) -> list[Secret]: ...
    def touch_secret(self, sha256: str, used_at: datetime) -> None: ...
    def drop_secret(self, sha256: str) -> None: ...
    def drop_secrets(self, person_id: int, kind: str) -> None: ...
    def note_attempt(self, who: str, at: datetime) -> int:
        """Number of the attempt."""
        ...

    def nth_attempt(self, who: str, n: int, since: datetime) -> datetime | None:
        """When the n-th newest attempt was made; None where there were fewer since a moment."""
        ...

    def forget_attempts(self, who: str) -> None: ...
    def forget_attempt(self, attempt_id: int) -> None: ...
    def forget_attempts_before(self, moment: datetime) -> int: ...
    def forget_secrets(self, now: datetime, idle_since: datetime) -> int:
        """Drop sessions and tokens that are over and sessions not used since."""
        ...


class Work(Protocol):
    """One transaction; repositories are only good inside it."""

    @property
    def lines(self) -> Lines: ...
    @property
    def models(self) -> Models: ...
    @property
    def networks(self) -> Networks: ...
    @property
    def plans(self) -> Plans: ...
    @property
    def pins(self) -> Pins: ...
    @property
    def what_ifs(self) -> WhatIfs: ...
    @property
    def events(self) -> Events: ...
    @property
    def trail(self) -> Trail: ...
    @property
    def revision(self) -> Revision: ...
    @property
    def receipts(self) -> Receipts: ...
    @property
    def previews(self) -> Previews: ...
    @property
    def jobs(self) -> Jobs: ...
    @property
    def people(self) -> People: ...


class StoreAway(Exception):
    """The database does not answer for now: locked for too long, restarting, or out of reach.

    The same again may go better. It may even have been kept: a connection lost on the way back tells nothing.
    """


class Store(Protocol):
    """Begins transactions. Leaving one without an exception keeps it, with one drops it.

    Both raise StoreAway when the database does not answer.
    """

    def look(self) -> AbstractContextManager[Work]:
        """To read: sees one state, holds up nobody."""
        ...

    def begin(self) -> AbstractContextManager[Work]:
        """To write."""
        ...

    def ready(self) -> bool:
        """Whether the database answers."""
        ...
