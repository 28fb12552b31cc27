"""The auditor's own book of a plan: every build, lot and shipment with the figures derived for it.

Derivations start from what a planner decides (pieces, machine, the moments at which attended work starts, carrier,
dispatch date), not from figures the plan states, so that one wrong figure makes one finding, not a chain of them.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import datetime
from functools import partial

from router.audit.calendars import Country, SiteCalendar
from router.audit.carriage import Carriage, carry, part_kg
from router.audit.form import Readable
from router.audit.journey import Journey, centre_minutes, lot_route, plate_route, travel
from router.audit.melt import Body, Melt, body_of, derive_melt, shape_of
from router.audit.outlines import Shape
from router.audit.scope import Scope
from router.domain.alloys import Alloy, ParameterSet
from router.domain.carriers import Carrier
from router.domain.machines import Machine
from router.domain.network import Scenario
from router.domain.orders import OrderLine
from router.domain.plan import Build, Lot, Plan, Shipment
from router.domain.sites import Site
from router.geometry.facts import Orientation, PartFacts
from router.kernel.moments import Minute, to_minute


@dataclass(frozen=True, slots=True)
class BuildEntry:
    """A build and what follows from its pieces, its machine and its starts."""

    build: Build
    machine: Machine
    site: Site
    calendar: SiteCalendar
    params: ParameterSet
    alloy: Alloy
    bodies: tuple[Body, ...]
    melt: Melt
    pieces_of: dict[str, int]
    """Pieces by line, in the order in which the lines first appear."""
    coupons: int
    unload_end: Minute | None
    journey: Journey
    """Of the plate."""

    @property
    def where(self) -> str:
        return f"build {self.build.build_id}"


@dataclass(frozen=True, slots=True)
class LotEntry:
    """The pieces of one line from one build; `lot` is None when the plan forgets it."""

    line: OrderLine
    build: BuildEntry
    pieces: int
    lot: Lot | None
    journey: Journey

    @property
    def gaps(self) -> bool:
        """Some step, on the plate or after it, has nobody to do it: neither time nor cost can be derived."""
        return bool(self.build.journey.gaps or self.journey.gaps)

    @property
    def where(self) -> str:
        return f"lot of {self.line.line_id} from {self.build.build.build_id}"


@dataclass(frozen=True, slots=True)
class ShipmentEntry:
    """A shipment and what follows from its line, site, carrier and pieces."""

    shipment: Shipment
    line: OrderLine
    site: Site
    carrier: Carrier
    pieces: int
    """In its lots; as stated when a lot of it cannot be derived."""
    carriage: Carriage
    ready: Minute | None
    """None when some lot of it cannot be derived."""

    @property
    def where(self) -> str:
        return f"shipment {self.shipment.shipment_id}"


class Book:
    """Scenario, plan and everything derived, by id."""

    def __init__(self, scenario: Scenario, plan: Plan, readable: Readable, scope: Scope | None = None) -> None:
        """With a ``scope`` only what lies in it is entered, and what is needed to judge it."""
        self.scenario = scenario
        self.plan = plan
        self.net = scenario.network
        self.left_out = tuple(u for u in plan.unplanned if scope is None or u.line_id in scope.lines)
        self.lines = readable.lines
        self._calendars: dict[str, SiteCalendar] = {}
        self._countries: dict[str, Country] = {}
        self._shapes: dict[tuple[str, str], Shape] = {}
        self.known = {b.build_id: self._enter_build(b) for b in readable.builds}
        """Every build entered: those to be checked, and those that carry pieces of their lines."""
        self.builds = {k: e for k, e in self.known.items() if scope is None or e.machine.machine_id in scope.machines}
        """Builds to be checked; of a machine all or none."""
        read = {id(entry.build) for entry in self.builds.values()}
        self.half_known = frozenset(b.machine_id for b in plan.builds if id(b) not in read)
        """Machines with a build that cannot be read (what is loaded after it is not known) or is not to be checked."""
        self.lots = self._enter_lots(readable.lots, None if scope is None else scope.lines)
        self.shipments = [self._enter_shipment(s) for s in readable.shipments]

    def calendar(self, site: Site) -> SiteCalendar:
        """When people are at a site."""
        if site.site_id not in self._calendars:
            self._calendars[site.site_id] = SiteCalendar(site)
        return self._calendars[site.site_id]

    def country(self, code: str) -> Country:
        """Business days where something arrives."""
        if code not in self._countries:
            self._countries[code] = Country(code)
        return self._countries[code]

    def shape(self, key: tuple[str, str]) -> Shape:
        """Outline of a part in an orientation, or of a coupon."""
        if key not in self._shapes:
            self._shapes[key] = shape_of(self.scenario, key)
        return self._shapes[key]

    def facts(self, line: OrderLine) -> PartFacts:
        return self.scenario.parts[line.model]

    def orientation(self, line: OrderLine, key: str) -> Orientation:
        return next(o for o in self.facts(line).orientations if o.key == key)

    def shown(self, minute: Minute | None, site: Site) -> str:
        """A moment on the wall clock of a site."""
        return "no such time" if minute is None else self.calendar(site).local(minute).isoformat(timespec="minutes")

    def stated(self, moment: datetime, site: Site) -> str:
        """A moment of the plan on the wall clock of a site."""
        return moment.astimezone(self.calendar(site).zone).isoformat(timespec="minutes")

    def _enter_build(self, build: Build) -> BuildEntry:
        net = self.net
        machine = net.machine[build.machine_id]
        site = net.site[machine.site_id]
        cal = self.calendar(site)
        params = net.parameter_set[build.parameter_set_id]
        alloy = net.alloy[params.alloy_id]
        bodies = tuple(body_of(self.scenario, p, params) for p in build.pieces)
        melt = derive_melt(net, site, machine, alloy, params, bodies)
        unload = cal.attended(to_minute(build.unload_start), machine.unload_min)
        unload_end = None if unload is None else unload[1]
        pieces_of = dict(Counter(b.line_id for b in bodies if b.line_id is not None))
        codes = (self.scenario.line[x].export_control for x in pieces_of)
        journey = travel(
            net,
            cal,
            site,
            plate_route(alloy),
            unload_end,
            partial(centre_minutes, pieces=0, support_cm3=0.0),
            melt.melted_kg,
            frozenset(c for c in codes if c is not None),
        )
        coupons = sum(b.line_id is None for b in bodies)
        return BuildEntry(
            build, machine, site, cal, params, alloy, bodies, melt, pieces_of, coupons, unload_end, journey
        )

    def _enter_lots(self, lots: tuple[Lot, ...], lines: frozenset[str] | None) -> dict[tuple[str, str], LotEntry]:
        stated = {(x.line_id, x.build_id): x for x in reversed(lots)}
        return {
            (line_id, build_id): self._enter_lot(entry, line_id, pieces, stated.get((line_id, build_id)))
            for build_id, entry in self.known.items()
            for line_id, pieces in entry.pieces_of.items()
            if lines is None or line_id in lines
        }

    def _enter_lot(self, entry: BuildEntry, line_id: str, pieces: int, lot: Lot | None) -> LotEntry:
        line = self.scenario.line[line_id]
        facts = self.facts(line)
        keys = [p.orientation for p in entry.build.pieces if p.line_id == line_id]
        # Should pieces of the line stand differently, against the rules, their support is taken on average.
        support_cm3 = sum(self.orientation(line, k).support_volume_mm3 for k in keys) / len(keys) / 1000
        journey = travel(
            self.net,
            entry.calendar,
            entry.site,
            lot_route(line, entry.alloy),
            entry.journey.ready,
            partial(centre_minutes, pieces=pieces, support_cm3=support_cm3),
            pieces * part_kg(facts, entry.alloy.density_g_cm3),
            frozenset() if line.export_control is None else frozenset({line.export_control}),
        )
        return LotEntry(line, entry, pieces, lot, journey)

    def _enter_shipment(self, shipment: Shipment) -> ShipmentEntry:
        line = self.scenario.line[shipment.line_id]
        site = self.net.site[shipment.site_id]
        carrier = self.net.carrier[shipment.carrier_id]
        facts = self.facts(line)
        lots = [self.lots.get((shipment.line_id, b)) for b in shipment.build_ids]
        pieces = sum(x.pieces for x in lots if x is not None)
        if None in lots or not lots:
            pieces = shipment.pieces
        alloy = self.net.alloy[line.alloy_id]
        carriage = carry(
            self.net, site.place, line.ship_to, carrier, pieces, facts, part_kg(facts, alloy.density_g_cm3)
        )
        moments = [None if x is None or x.gaps else x.journey.ready for x in lots]
        known = [m for m in moments if m is not None]
        ready = max(known) if known and len(known) == len(moments) else None
        return ShipmentEntry(shipment, line, site, carrier, pieces, carriage, ready)
