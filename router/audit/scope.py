"""Which part of a plan has to be looked at again after a change, so that nothing a whole audit would find is missed.

Checks of RULES.md look at a build and its machine's queue, at a lot and its build, at a shipment and its lots, at a
line and all its pieces. So after a change these are judged anew: all builds of a machine with any difference; all lines
on them before or after, and lines whose lots, shipments or standing differ. What else those lines' lots and shipments
name is derived beside them.
"""

from __future__ import annotations

import dataclasses
from collections import Counter, defaultdict
from collections.abc import Iterable
from typing import Any

from router.domain.plan import Build, BuildCost, Changeover, LineShare, Lot, Plan, Shipment


@dataclasses.dataclass(frozen=True, slots=True)
class Scope:
    """What is judged: machines with all their builds, and lines with all their lots and shipments."""

    machines: frozenset[str]
    lines: frozenset[str]
    builds: frozenset[str]
    """Builds that must be derived: those of the machines, and those the lines' lots and shipments hang on."""
    laid: frozenset[str]
    """Builds of the machines whose pieces lie as they lay on a plate of the same machine before: only times differ."""


def changed_part(before: Plan, after: Plan) -> Scope | None:
    """What differs and what hangs on it; None when only a look at the whole plan will do.

    That is so when something is named twice or an amount is not whole: equal amounts then need not be equally sound.
    """
    if _named_twice(after) or not _whole_cents(after):
        return None
    old_queues, new_queues = _queues(before), _queues(after)
    machines = frozenset(m for m in {*old_queues, *new_queues} if old_queues.get(m) != new_queues.get(m))
    lines: set[str] = set()
    for queues in (old_queues, new_queues):
        for machine in machines:
            for build in queues.get(machine, ()):
                lines.update(p.line_id for p in build.pieces if p.line_id is not None)
    for old, new in (
        (before.lots, after.lots),
        (before.shipments, after.shipments),
        (before.unplanned, after.unplanned),
    ):
        lines |= _differing_lines(old, new)
    builds = {b.build_id for m in machines for b in new_queues.get(m, ())}
    builds.update(x.build_id for x in after.lots if x.line_id in lines)
    builds.update(b for s in after.shipments if s.line_id in lines for b in s.build_ids)
    builds.update(b.build_id for b in after.builds if any(p.line_id in lines for p in b.pieces))
    laid: set[str] = set()
    for machine in machines:
        lay = {b.pieces for b in old_queues.get(machine, ())}
        laid.update(b.build_id for b in new_queues.get(machine, ()) if b.pieces in lay)
    return Scope(machines, frozenset(lines), frozenset(builds), frozenset(laid))


def _queues(plan: Plan) -> dict[str, list[Build]]:
    queues: dict[str, list[Build]] = defaultdict(list)
    for build in plan.builds:
        queues[build.machine_id].append(build)
    return queues


def _differing_lines(old: Iterable[Any], new: Iterable[Any]) -> set[str]:
    """Lines of which the two lists say different things."""
    sides: tuple[dict[str, list[Any]], dict[str, list[Any]]] = (defaultdict(list), defaultdict(list))
    for side, values in zip(sides, (old, new), strict=True):
        for value in values:
            side[value.line_id].append(value)
    return {line for line in {*sides[0], *sides[1]} if sides[0].get(line) != sides[1].get(line)}


def _named_twice(plan: Plan) -> bool:
    families: list[Iterable[object]] = [
        (b.build_id for b in plan.builds),
        (b.lasting_id for b in plan.builds if b.lasting_id),
        ((x.line_id, x.build_id) for x in plan.lots),
        (s.shipment_id for s in plan.shipments),
        (u.line_id for u in plan.unplanned),
    ]
    return any(times > 1 for names in families for times in Counter(names).values())


_AMOUNTS = {
    kind: tuple(f.name for f in dataclasses.fields(kind) if f.name.endswith("_cents"))
    for kind in (Build, BuildCost, Changeover, LineShare, Lot, Shipment)
}


def _whole_cents(plan: Plan) -> bool:
    values: list[Any] = [*plan.builds, *plan.lots, *plan.shipments]
    for build in plan.builds:
        values += (build.cost, *build.shares)
        if build.changeover is not None:
            values.append(build.changeover)
    return all(isinstance(getattr(value, name), int) for value in values for name in _AMOUNTS[type(value)])
