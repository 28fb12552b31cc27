"""The network and the scenario: everything a plan is made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

from router.domain.alloys import Alloy, ParameterSet
from router.domain.carriers import Carrier, Customs, Packaging
from router.domain.machines import ChangeoverRule, Machine
from router.domain.orders import OrderLine
from router.domain.sites import OutsideService, Site, Step, WorkCentre
from router.geometry import PartFacts


@dataclass(frozen=True, slots=True)
class Coupon:
    """Witness coupon: an upright square bar."""

    side_mm: float
    height_mm: float


@dataclass(frozen=True)
class Network:
    """Sites, machines, what happens after the build, carriers and the rules that hold everywhere."""

    name: str
    currency: str
    now: datetime
    """The moment the plan is made; nothing may start before it."""
    sites: tuple[Site, ...]
    machines: tuple[Machine, ...]
    alloys: tuple[Alloy, ...]
    parameter_sets: tuple[ParameterSet, ...]
    changeovers: tuple[ChangeoverRule, ...]
    work_centres: tuple[WorkCentre, ...]
    outside_services: tuple[OutsideService, ...]
    carriers: tuple[Carrier, ...]
    packaging: Packaging
    customs: Customs
    circuity: tuple[tuple[str, float], ...]
    """Road over straight-line distance by country; key ``*`` for legs between countries and for the rest."""
    coupon: Coupon
    carbon_cents_per_kg: float
    overhang_deg: float
    powder_packing: float
    """Solid share of the powder bed."""
    recoater_min_off_deg: float
    """Long axis of an elongated footprint keeps at least this angle off the blade."""
    recoater_long_ratio: float
    """A footprint counts as elongated from this length/width of its least bounding rectangle on."""
    invented: bool = False
    """True for demonstration data: shown on every paper."""

    @cached_property
    def site(self) -> Mapping[str, Site]:
        return {s.site_id: s for s in self.sites}

    @cached_property
    def machine(self) -> Mapping[str, Machine]:
        return {m.machine_id: m for m in self.machines}

    @cached_property
    def alloy(self) -> Mapping[str, Alloy]:
        return {a.alloy_id: a for a in self.alloys}

    @cached_property
    def parameter_set(self) -> Mapping[str, ParameterSet]:
        return {p.parameter_set_id: p for p in self.parameter_sets}

    @cached_property
    def carrier(self) -> Mapping[str, Carrier]:
        return {c.carrier_id: c for c in self.carriers}

    @cached_property
    def work_centre(self) -> Mapping[tuple[str, Step], WorkCentre]:
        return {(w.site_id, w.step): w for w in self.work_centres}

    def outside(self, site_id: str, step: Step) -> tuple[OutsideService, ...]:
        return tuple(o for o in self.outside_services if o.step is step and o.serves(site_id))


@dataclass(frozen=True)
class Scenario:
    """A network, an order book and the measured parts: the whole input of a plan."""

    network: Network
    lines: tuple[OrderLine, ...]
    parts: Mapping[str, PartFacts]
    """By model file name."""
    fingerprint: str
    """SHA-256 over the files of the folder."""

    @cached_property
    def line(self) -> Mapping[str, OrderLine]:
        return {x.line_id: x for x in self.lines}
