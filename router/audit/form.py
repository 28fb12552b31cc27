"""Whether a plan can be read at all: numbers finite, times with a zone, ids known and not given twice.

What fails here is left out of the later checks, which could not say anything sensible about it.
"""

from __future__ import annotations

import dataclasses
import math
from collections import Counter
from collections.abc import Hashable, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from router.audit.finding import Notebook
from router.audit.scope import Scope
from router.domain.network import Scenario
from router.domain.plan import Build, Lot, Plan, Shipment

_REACH = timedelta(days=366 * 20)
"""A time further than this from the scenario's now is taken for a slip."""


@dataclass(frozen=True, slots=True)
class Readable:
    """The parts of a plan whose references hold and whose figures are numbers."""

    lines: frozenset[str]
    """Of the scope, when there is one."""
    builds: tuple[Build, ...]
    lots: tuple[Lot, ...]
    shipments: tuple[Shipment, ...]


def check_form(
    scenario: Scenario, plan: Plan, broken_models: frozenset[str], notes: Notebook, scope: Scope | None = None
) -> Readable:
    """Run every check of this page; return what is fit for the others. Lines of broken models are not.

    With a ``scope`` only its builds, and lots and shipments of its lines, are read.
    """
    lines = frozenset(x for x in _check_lines(scenario, notes) if scenario.line[x].model not in broken_models)
    _check_ids(scenario, plan, notes)
    _check_values(scenario, dataclasses.replace(plan, builds=(), lots=(), shipments=(), unplanned=()), "plan", notes)
    for unplanned in plan.unplanned:
        notes.look("ids known")
        if unplanned.line_id not in scenario.line:
            notes.add("unknown-line", f"unplanned {unplanned.line_id}", unplanned.line_id, "a line of the scenario")
    builds: dict[str, Build] = {}
    for build in plan.builds:
        if (scope is None or build.build_id in scope.builds) and _check_build(scenario, build, lines, notes):
            builds.setdefault(build.build_id, build)
    known_builds = {b.build_id for b in plan.builds}
    mine = [x for x in plan.lots if scope is None or x.line_id in scope.lines]
    lots = tuple(x for x in mine if _check_lot(scenario, x, known_builds, notes) and x.line_id in lines)
    sent = [x for x in plan.shipments if scope is None or x.line_id in scope.lines]
    shipments = tuple(x for x in sent if _check_shipment(scenario, x, known_builds, notes) and x.line_id in lines)
    if scope is not None:
        lines &= scope.lines
    return Readable(lines, tuple(builds.values()), lots, shipments)


def _check_lines(scenario: Scenario, notes: Notebook) -> frozenset[str]:
    """Lines of the order book that refer to known things."""
    net = scenario.network
    good: set[str] = set()
    for line in scenario.lines:
        notes.look("order lines refer to known things")
        where = f"order line {line.line_id}"
        wants = [
            ("unknown-part", line.model, line.model in scenario.parts, "a measured part"),
            ("unknown-alloy", line.alloy_id, line.alloy_id in net.alloy, "an alloy of the network"),
            (
                "unknown-parameter-set",
                line.parameter_set_id,
                line.parameter_set_id in net.parameter_set,
                "a parameter set of the network",
            ),
            ("quantity-not-positive", str(line.quantity), line.quantity > 0, "at least one piece"),
        ]
        for code, found, known, expected in wants:
            if not known:
                notes.add(code, where, found, expected)
        if all(known for _, _, known, _ in wants):
            good.add(line.line_id)
    return frozenset(good)


def _check_ids(scenario: Scenario, plan: Plan, notes: Notebook) -> None:
    """Nothing is named twice."""
    net = scenario.network
    families: list[tuple[str, Iterable[Hashable]]] = [
        ("order line", (x.line_id for x in scenario.lines)),
        ("site", (x.site_id for x in net.sites)),
        ("machine", (x.machine_id for x in net.machines)),
        ("alloy", (x.alloy_id for x in net.alloys)),
        ("parameter set", (x.parameter_set_id for x in net.parameter_sets)),
        ("work centre", (f"{x.step} at {x.site_id}" for x in net.work_centres)),
        ("outside service", (x.service_id for x in net.outside_services)),
        ("carrier", (x.carrier_id for x in net.carriers)),
        ("build", (x.build_id for x in plan.builds)),
        ("lasting id", (x.lasting_id for x in plan.builds if x.lasting_id)),
        ("lot", (f"{x.line_id} from {x.build_id}" for x in plan.lots)),
        ("shipment", (x.shipment_id for x in plan.shipments)),
        ("unplanned line", (x.line_id for x in plan.unplanned)),
    ]
    for kind, ids in families:
        for name, times in Counter(ids).items():
            notes.look("ids given once")
            if times > 1:
                notes.add("duplicate-id", f"{kind} {name}", f"{times} times", "once")


def _check_values(scenario: Scenario, value: object, where: str, notes: Notebook) -> bool:
    """Walk through a dataclass value: floats finite, cents whole, times with a zone, on the minute, within reach.

    True when all of it can be used.
    """
    good = True
    if not dataclasses.is_dataclass(value):
        return good
    for field in dataclasses.fields(value):
        found = getattr(value, field.name)
        place = f"{where}, {field.name}"
        if isinstance(found, tuple):
            for number, item in enumerate(found, start=1):
                good &= _check_values(scenario, item, f"{place} {number}", notes)
        elif dataclasses.is_dataclass(found):
            good &= _check_values(scenario, found, place, notes)
        elif isinstance(found, datetime):
            good &= _check_time(scenario, found, place, notes)
        elif isinstance(found, float):
            notes.look("numbers finite")
            if not math.isfinite(found):
                notes.add("number-not-finite", place, found, "a finite number")
                good = False
            elif field.name.endswith("_cents"):
                notes.add("cents-not-whole", place, found, "whole cents")
                good = False
    return good


def _check_time(scenario: Scenario, moment: datetime, place: str, notes: Notebook) -> bool:
    notes.look("times with a zone, on the minute")
    if moment.tzinfo is None:
        notes.add("time-without-zone", place, moment.isoformat(), "a time with its zone")
        return False
    if moment.second or moment.microsecond:
        notes.add("time-not-whole-minute", place, moment.isoformat(), "a whole minute")
    now = scenario.network.now
    if now.tzinfo is not None and abs(moment - now) > _REACH:
        notes.add("time-out-of-reach", place, moment.isoformat(), f"a time near {now.isoformat()}")
        return False
    return True


def _check_build(scenario: Scenario, build: Build, lines: frozenset[str], notes: Notebook) -> bool:
    net = scenario.network
    where = f"build {build.build_id}"
    good = _check_values(scenario, build, where, notes)
    notes.look("ids known", 2 + len(build.pieces))
    machine = net.machine.get(build.machine_id)
    if machine is None:
        notes.add("unknown-machine", where, build.machine_id, "a machine of the network")
        good = False
    elif machine.site_id not in net.site:
        notes.add("unknown-site", f"machine {machine.machine_id}", machine.site_id, "a site of the network")
        good = False
    params = net.parameter_set.get(build.parameter_set_id)
    if params is None:
        notes.add("unknown-parameter-set", where, build.parameter_set_id, "a parameter set of the network")
        good = False
    elif params.alloy_id not in net.alloy:
        notes.add("unknown-alloy", f"parameter set {params.parameter_set_id}", params.alloy_id, "a known alloy")
        good = False
    for number, piece in enumerate(build.pieces, start=1):
        if piece.line_id is None:
            continue
        place = f"{where}, piece {number}"
        line = scenario.line.get(piece.line_id)
        if line is None:
            notes.add("unknown-line", place, piece.line_id, "a line of the scenario")
            good = False
        elif line.line_id not in lines:
            good = False
        elif piece.orientation not in {o.key for o in scenario.parts[line.model].orientations}:
            keys = ", ".join(o.key for o in scenario.parts[line.model].orientations)
            notes.add("unknown-orientation", place, piece.orientation, f"one of {keys}")
            good = False
    if all(p.line_id is None for p in build.pieces):
        notes.add("build-without-pieces", where, f"{len(build.pieces)} coupons and no piece", "a piece of a line")
        good = False
    return good


def _check_lot(scenario: Scenario, lot: Lot, builds: set[str], notes: Notebook) -> bool:
    where = f"lot of {lot.line_id} from {lot.build_id}"
    good = _check_values(scenario, lot, where, notes)
    services = {s.service_id for s in scenario.network.outside_services}
    notes.look("ids known", 2 + len(lot.outside))
    if lot.line_id not in scenario.line:
        notes.add("unknown-line", where, lot.line_id, "a line of the scenario")
        good = False
    if lot.build_id not in builds:
        notes.add("unknown-build", where, lot.build_id, "a build of the plan")
        good = False
    for service_id in lot.outside:
        if service_id not in services:
            notes.add("unknown-service", where, service_id, "an outside service of the network")
    return good


def _check_shipment(scenario: Scenario, shipment: Shipment, builds: set[str], notes: Notebook) -> bool:
    where = f"shipment {shipment.shipment_id}"
    good = _check_values(scenario, shipment, where, notes)
    wants = [
        ("unknown-line", shipment.line_id, shipment.line_id in scenario.line, "a line of the scenario"),
        ("unknown-site", shipment.site_id, shipment.site_id in scenario.network.site, "a site of the network"),
        ("unknown-carrier", shipment.carrier_id, shipment.carrier_id in scenario.network.carrier, "a carrier"),
    ]
    wants += [("unknown-build", b, b in builds, "a build of the plan") for b in shipment.build_ids]
    for code, found, known, expected in wants:
        notes.look("ids known")
        if not known:
            notes.add(code, where, found, expected)
            good = False
    return good
