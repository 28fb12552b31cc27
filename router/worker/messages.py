"""What a worker and its solving process say to each other over a pipe."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from router.domain.network import Scenario
from router.domain.plan import Plan
from router.domain.result import Result
from router.domain.siting import SitingQuestion
from router.planning import RunParams
from router.whatif.comparison.worlds import World
from router.whatif.rolling.figures import Figures
from router.whatif.rolling.replicate import Stretch


@dataclass(frozen=True, slots=True)
class SolveAsked:
    """Plan a scenario."""

    scenario: Scenario
    params: RunParams
    start: Plan | None = None
    """A plan to go on from."""
    keep: tuple[str, ...] = ()
    """Builds of it that have to stay."""
    keep_if_able: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ElsewhereAsked:
    """Force a line of the live plan to each site in turn."""

    scenario: Scenario
    result: Result
    line_id: str
    seconds: float
    seed: int
    keep: tuple[str, ...] = ()
    """Builds that stay."""


@dataclass(frozen=True, slots=True)
class LivesAsked:
    """Live through replications of the base (first) and what is set beside it.

    ``lived`` (replication, world) are there already.
    """

    scenario: Scenario
    worlds: tuple[World, ...]
    stretch: Stretch
    replications: int
    seed: int
    lived: frozenset[tuple[int, int]]

    @property
    def lives(self) -> int:
        """Of them all, those that are there too."""
        return len(self.worlds) * self.replications


@dataclass(frozen=True, slots=True)
class SitesAsked:
    """Choose at most ``sites`` new sites. ``job_id`` names the what-ifs the choice would be kept as."""

    scenario: Scenario
    question: SitingQuestion
    sites: int
    seconds: float
    """For each programme."""
    seed: int
    job_id: str


@dataclass(frozen=True, slots=True)
class Chosen:
    """Everything that is to be kept of a choice of sites, as JSON values."""

    result: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Life:
    """Figures of one replication of one world."""

    number: int
    scenario: int
    figures: Figures


@dataclass(frozen=True, slots=True)
class Point:
    """Progress: ``kind`` is phase, step, incumbent, bound or ended."""

    kind: str
    seconds: float
    value: float | None = None
    text: str = ""


@dataclass(frozen=True, slots=True)
class Solved:
    """A plan and what the auditor said; None with reasons when there is none. ``label``: the site it is for."""

    result: Result | None
    findings: tuple[str, ...]
    checks: int
    label: str = ""
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Finished:
    """Nothing more will come. ``why`` is the stop reason."""

    why: str


@dataclass(frozen=True, slots=True)
class GaveWay:
    """No life is under way any more, and not all are lived: it was asked to let a plan go before it."""


@dataclass(frozen=True, slots=True)
class Failed:
    """It cannot be done; ``why`` is for people. ``expected``: an input that cannot be planned, not a fault of ours.

    Of a fault of ours people are told what stands before the first colon, its kind; all of it goes to the log.
    """

    why: str
    expected: bool
    called_off: bool = False
    """Whether it was stopped before there was anything to keep."""


STOP = "stop"
"""A word of the worker: end soon, keep the best."""
GIVE_WAY = "give way"
"""The other one: begin no further life, and say when those under way are lived."""
Asked = SolveAsked | ElsewhereAsked | LivesAsked | SitesAsked
Answer = Solved | Chosen
"""What a task keeps."""
Message = Life | Point | Solved | Chosen | Finished | GaveWay | Failed
