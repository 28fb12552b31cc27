"""Two plans side by side: key figures, and every line and build that differs."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any, Literal

from router.domain.plan import Build, Plan
from router.planning.disturbance import Disturbance, disturbance
from router.planning.moves import DateChange, date_changes
from router.service.desk import Desk
from router.service.going_on import not_started
from router.service.plans import full_plan, kpis_as_json
from router.service.records import Actor, PlanHead
from router.service.rights import sites_seen
from router.service.seen_totals import kpis_told, seen_part
from router.service.visible import hidden_lines


@dataclass(frozen=True, slots=True)
class LinePlace:
    """Where and when a plan builds a line."""

    site_ids: tuple[str, ...]
    machine_ids: tuple[str, ...]
    arrive_date: date | None
    late_days: int
    carrier_ids: tuple[str, ...]
    plate_cents: int
    """Its fair share of plates and plate steps."""
    freight_cents: int


@dataclass(frozen=True, slots=True)
class LineDifference:
    """A line that the two plans treat otherwise; None: not in that plan."""

    line_id: str
    before: LinePlace | None
    after: LinePlace | None


@dataclass(frozen=True, slots=True)
class BuildDifference:
    """A build of one plan without an equal one in the other. Builds are known by their pieces, not by name."""

    build_id: str
    machine_id: str
    run_start: datetime
    pieces: int
    what: Literal["gone", "new", "moved"]
    """``gone``, ``new`` or ``moved`` (same pieces, other machine or time)."""
    other_machine_id: str | None = None
    other_run_start: datetime | None = None


@dataclass(frozen=True, slots=True)
class Comparison:
    """Plan ``before`` and plan ``after``."""

    before: PlanHead
    after: PlanHead
    kpis_before: Mapping[str, Any]
    """Key figures as JSON values; None for those that count lines the actor is not cleared for. So below."""
    kpis_after: Mapping[str, Any]
    habit_kpis: Mapping[str, Any]
    lines: tuple[LineDifference, ...]
    lines_alike: int
    builds: tuple[BuildDifference, ...]
    builds_alike: int
    disturbed: Disturbance
    """What ``after`` changes of what ``before`` has not started yet: all builds, the lines the actor may see."""
    later: tuple[DateChange, ...]
    """Lines that arrive on a later day than in ``before``, those latest against their due date first."""


def compare_plans(desk: Desk, actor: Actor, before_id: int, after_id: int) -> Comparison:
    """Every difference the actor may see: builds and machines of a site only for those who see its floor."""
    one, other = full_plan(desk, actor, before_id), full_plan(desk, actor, after_id)
    hidden, sites = hidden_lines(desk, actor), sites_seen(actor)
    first, second = line_places(one.result.plan), line_places(other.result.plan)
    ids = sorted({*first, *second} - hidden)
    changes = date_changes(one.result.plan, other.result.plan)
    later = [d for d in changes if d.after > d.before and d.line_id not in hidden]
    at = {m.machine_id: m.site_id for p in (one, other) for m in p.scenario.network.machines}
    lines = [
        LineDifference(i, _seen_place(first.get(i), at, sites), _seen_place(second.get(i), at, sites))
        for i in ids
        if first.get(i) != second.get(i)
    ]
    builds, alike = build_differences(_seen_part(one.result.plan, at, sites), _seen_part(other.result.plan, at, sites))
    kpis_before, kpis_after, habit_kpis = (
        kpis_told(kpis_as_json(k), hidden) for k in (one.result.kpis, other.result.kpis, other.result.habit_kpis)
    )
    return Comparison(
        one.head,
        other.head,
        kpis_before,
        kpis_after,
        habit_kpis,
        tuple(lines),
        len(ids) - len(lines),
        tuple(builds),
        alike,
        disturbance(seen_part(not_started(desk, one), hidden), seen_part(other.result.plan, hidden)),
        tuple(sorted(later, key=lambda d: (-d.late_days_after, d.line_id))),
    )


def _seen_place(place: LinePlace | None, at: Mapping[str, str], sites: frozenset[str] | None) -> LinePlace | None:
    if place is None or sites is None:
        return place
    return replace(place, machine_ids=tuple(m for m in place.machine_ids if at[m] in sites))


def _seen_part(plan: Plan, at: Mapping[str, str], sites: frozenset[str] | None) -> Plan:
    """The plan with the builds of some sites only: one that moved between sites is gone at one, new at the other."""
    if sites is None:
        return plan
    return replace(plan, builds=tuple(b for b in plan.builds if at[b.machine_id] in sites))


def line_places(plan: Plan) -> dict[str, LinePlace]:
    """Where every planned line is built and when it arrives."""
    machines: dict[str, set[str]] = defaultdict(set)
    plate_cents: Counter[str] = Counter()
    for build in plan.builds:
        for share in build.shares:
            machines[share.line_id].add(build.machine_id)
            plate_cents[share.line_id] += share.build_cents + share.plate_steps_cents
    shipments = defaultdict(list)
    for shipment in plan.shipments:
        shipments[shipment.line_id].append(shipment)
    return {
        line_id: LinePlace(
            tuple(sorted({s.site_id for s in sent})),
            tuple(sorted(machines[line_id])),
            max(s.arrive_date for s in sent),
            max(s.late_days for s in sent),
            tuple(sorted({s.carrier_id for s in sent})),
            plate_cents[line_id],
            sum(s.freight_cents for s in sent),
        )
        for line_id, sent in shipments.items()
    }


def build_differences(before: Plan, after: Plan) -> tuple[list[BuildDifference], int]:
    """Builds gone, new and moved, and the number of those that are alike."""
    old, new = _by_pieces(before), _by_pieces(after)
    found: list[BuildDifference] = []
    alike = 0
    for pieces in sorted({*old, *new}):
        left, right = sorted(old.get(pieces, []), key=_when), sorted(new.get(pieces, []), key=_when)
        for one, other in zip(left, right, strict=False):
            if _when(one) == _when(other):
                alike += 1
            else:
                found.append(_difference(other, "moved", one))
        found += [_difference(b, "gone") for b in left[len(right) :]]
        found += [_difference(b, "new") for b in right[len(left) :]]
    return sorted(found, key=lambda d: (d.run_start, d.machine_id, d.what)), alike


def _by_pieces(plan: Plan) -> dict[tuple[tuple[str, int], ...], list[Build]]:
    groups: dict[tuple[tuple[str, int], ...], list[Build]] = defaultdict(list)
    for build in plan.builds:
        groups[tuple(sorted(build.pieces_by_line().items()))].append(build)
    return groups


def _when(build: Build) -> tuple[datetime, str]:
    return build.run_start, build.machine_id


def _difference(build: Build, what: Literal["gone", "new", "moved"], other: Build | None = None) -> BuildDifference:
    pieces = build.pieces_by_line().total()
    beside = (other.machine_id, other.run_start) if other else (None, None)
    return BuildDifference(build.build_id, build.machine_id, build.run_start, pieces, what, *beside)
