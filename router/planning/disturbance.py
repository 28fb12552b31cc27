"""How much a new plan changes of the one it takes the place of: what a shop floor has to be told."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass

from router.domain.plan import Build, Plan


@dataclass(frozen=True, slots=True)
class Disturbance:
    """Counts over builds and lines that both plans could have; new lines and finished ones disturb nobody."""

    builds: int
    """Builds of the plan before."""
    builds_as_before: int
    """Of these: same machine, same pieces, same start."""
    builds_retimed: int
    """Same machine and pieces, another start."""
    lines: int
    """Lines on builds of both plans."""
    lines_on_other_machines: int
    """With pieces on a machine, or so many pieces on a machine, that they did not have before."""
    lines_at_other_sites: int
    lines_later: int
    """Whose last shipment arrives on a later day."""
    lines_sooner: int


def disturbance(before: Plan, after: Plan) -> Disturbance:
    """Compare two plans of one network."""
    old, new = Counter(map(same_run, before.builds)), Counter(map(same_run, after.builds))
    as_before = (old & new).total()
    old_plates, new_plates = Counter(map(same_plate, before.builds)), Counter(map(same_plate, after.builds))
    at, now_at = _machines(before), _machines(after)
    both = sorted(at.keys() & now_at.keys())
    sites, now_sites = _sites(before), _sites(after)
    arrives, now_arrives = before.last_arrivals(), after.last_arrivals()
    dated = arrives.keys() & now_arrives.keys()
    return Disturbance(
        builds=len(before.builds),
        builds_as_before=as_before,
        builds_retimed=(old_plates & new_plates).total() - as_before,
        lines=len(both),
        lines_on_other_machines=sum(at[x] != now_at[x] for x in both),
        lines_at_other_sites=sum(sites.get(x) != now_sites.get(x) for x in both),
        lines_later=sum(now_arrives[x][0] > arrives[x][0] for x in dated),
        lines_sooner=sum(now_arrives[x][0] < arrives[x][0] for x in dated),
    )


def same_plate(build: Build) -> tuple[object, ...]:
    """What two builds of two plans share when they are the same: machine and pieces, by orientation."""
    pieces = Counter((p.line_id, p.orientation) for p in build.pieces if p.line_id is not None)
    return build.machine_id, tuple(sorted(pieces.items()))


def same_run(build: Build) -> tuple[object, ...]:
    """The same with the start."""
    return (*same_plate(build), build.run_start)


def _machines(plan: Plan) -> dict[str, Counter[str]]:
    found: dict[str, Counter[str]] = defaultdict(Counter)
    for build in plan.builds:
        for share in build.shares:
            found[share.line_id][build.machine_id] += share.pieces
    return found


def _sites(plan: Plan) -> dict[str, frozenset[str]]:
    found: dict[str, set[str]] = defaultdict(set)
    for shipment in plan.shipments:
        found[shipment.line_id].add(shipment.site_id)
    return {line: frozenset(sites) for line, sites in found.items()}
