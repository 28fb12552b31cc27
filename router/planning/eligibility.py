"""Who may build what: every (line, machine, orientation) is a choice or carries its reasons.

Section 2 of router/domain/RULES.md. Nothing is dropped silently: a refusal is kept as a sentence.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, time, timedelta

import numpy as np

from router.costing import PieceLoad, changeover, layers, piece_load, route
from router.domain.machines import Machine
from router.domain.network import Network, Scenario
from router.domain.orders import OrderLine
from router.domain.sites import Credential, Site, Step
from router.freight import quotes, refusals
from router.geometry import Orientation, PartFacts
from router.kernel.moments import Minute, to_minute
from router.nesting import KeepOut, Nest, PlateSpec, Shape, allowed_angles
from router.worktime import StaffedTime

FAR_FUTURE: Minute = 1 << 40
"""Later than any moment of a plan."""
_SERVICE_HORIZON_DAYS = 200
"""An outside service must hold an export code this long, since pick-up dates are not known beforehand."""


@dataclass(frozen=True, slots=True)
class Reason:
    """Why not: a short code for counting and a sentence for reading."""

    code: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Choice:
    """One piece of a line on a machine in an orientation: the numbers the optimizer needs."""

    orientation: str
    shape: Shape
    load: PieceLoad
    layers: int
    support_cm3: float
    bound_area_mm2: float
    """Plate area the piece takes at the least, spacing included."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one machine can do for one line."""

    choices: tuple[Choice, ...]
    reasons: tuple[Reason, ...]
    """All reasons against; orientations refused are named even where others are possible."""


@dataclass(frozen=True, slots=True)
class SiteVerdict:
    """Reasons that rule a whole site out, and the window of days its credentials leave for the build."""

    reasons: tuple[Reason, ...]
    run_from: Minute
    run_before: Minute


def plate_spec(machine: Machine) -> PlateSpec:
    """The nesting engine's view of a machine's plate."""
    plate = machine.plate
    return PlateSpec(
        width_mm=plate.width_mm,
        depth_mm=plate.depth_mm,
        round=plate.round,
        edge_margin_mm=plate.edge_margin_mm,
        spacing_mm=plate.spacing_mm,
        keep_outs=tuple(KeepOut(k.x_mm, k.y_mm, k.radius_mm) for k in plate.keep_outs),
    )


class Eligibility:
    """All verdicts of a scenario. Work is shared between lines of the same part and machines of the same plate."""

    def __init__(self, scenario: Scenario, staffed: dict[str, StaffedTime]) -> None:
        self._network = scenario.network
        self._staffed = staffed
        self._shapes: dict[tuple[str, str], Shape] = {}
        self._fits: dict[tuple[PlateSpec, str, int], bool] = {}
        side = scenario.network.coupon.side_mm
        square = ((0.0, 0.0), (side, 0.0), (side, side), (0.0, side))
        self.coupon = Shape.make(((square, ()),), (0.0,))
        """Footprint of a witness coupon."""
        self._specs = {m.machine_id: plate_spec(m) for m in scenario.network.machines}
        self.sites: dict[tuple[str, str], SiteVerdict] = {}
        self.machines: dict[tuple[str, str], Verdict] = {}
        for line in scenario.lines:
            part = scenario.parts[line.model]
            for site in scenario.network.sites:
                self.sites[line.line_id, site.site_id] = self._judge_site(line, site, part)
            for machine in scenario.network.machines:
                self.machines[line.line_id, machine.machine_id] = self._judge_machine(line, machine, part)

    def possible(self, line_id: str, machine: Machine) -> tuple[Choice, ...]:
        """Choices left when site and machine are both asked."""
        if self.sites[line_id, machine.site_id].reasons:
            return ()
        return self.machines[line_id, machine.machine_id].choices

    def why_not(self, line_id: str, site_id: str) -> tuple[str, ...]:
        """Sentences why a site cannot build a line; empty when it can."""
        verdict = self.sites[line_id, site_id]
        sentences = [r.sentence for r in verdict.reasons]
        machines = [m for m in self._network.machines if m.site_id == site_id]
        if any(self.machines[line_id, m.machine_id].choices for m in machines):
            return tuple(sentences)
        if not machines:
            sentences.append("the site has no machine")
        seen: dict[str, list[str]] = {}
        for machine in machines:
            for reason in self.machines[line_id, machine.machine_id].reasons:
                seen.setdefault(reason.sentence, []).append(machine.machine_id)
        sentences += [f"{', '.join(ids)}: {sentence}" for sentence, ids in seen.items()]
        return tuple(sentences)

    def shape(self, part: PartFacts, orientation: Orientation) -> Shape:
        """The footprint with its permitted plate rotations."""
        key = (part.content_hash, orientation.key)
        if key not in self._shapes:
            network = self._network
            polygons = orientation.footprint.polygons
            angles = allowed_angles(
                polygons,
                min_off_blade_deg=network.recoater_min_off_deg,
                long_ratio=network.recoater_long_ratio,
            )
            self._shapes[key] = Shape.make(polygons, angles)
        return self._shapes[key]

    def _judge_site(self, line: OrderLine, site: Site, part: PartFacts) -> SiteVerdict:
        network = self._network
        reasons: list[Reason] = []
        for step in route(line, network.alloy[line.alloy_id]):
            if (site.site_id, step) not in network.work_centre and not _services(network, site, step, line):
                reasons.append(Reason("step", f"no work centre and no outside service for {step.replace('_', ' ')}"))
        if line.approved_sites and site.site_id not in line.approved_sites:
            reasons.append(Reason("approved", f"the customer approves only {', '.join(line.approved_sites)}"))
        codes = [(line.export_control, "registration")] if line.export_control else []
        codes += [(code, "accreditation") for code in line.accreditations]
        staffed = self._staffed[site.site_id]
        first_day = staffed.local(to_minute(network.now))[0]
        window_from, window_before = 0, FAR_FUTURE
        for code, kind in codes:
            credential = _best_credential(site.credentials, code, first_day)
            if credential is None:
                held = [c for c in site.credentials if c.code == code]
                lapsed = f" (expired {max(c.valid_until for c in held if c.valid_until)})" if held else ""
                reasons.append(Reason(kind, f"the site does not hold {kind} {code}{lapsed}"))
                continue
            if credential.valid_from is not None:
                window_from = max(window_from, staffed.at_local(credential.valid_from, time(0)))
            if credential.valid_until is not None:
                window_before = min(
                    window_before, staffed.at_local(credential.valid_until + timedelta(days=1), time(0))
                )
        part_kg = part.volume_mm3 / 1e6 * network.alloy[line.alloy_id].density_g_cm3
        box_cm3 = part.bbox_mm[0] * part.bbox_mm[1] * part.bbox_mm[2] / 1000
        if not quotes(network, site.site_id, line.ship_to, part_kg, box_cm3, line.quantity):
            why = refusals(network, site.site_id, line.ship_to, part_kg, box_cm3, line.quantity)
            reasons.append(Reason("carrier", "no carrier can take the shipment: " + "; ".join(why)))
        return SiteVerdict(tuple(reasons), window_from, window_before)

    def _judge_machine(self, line: OrderLine, machine: Machine, part: PartFacts) -> Verdict:
        network = self._network
        if line.alloy_id not in machine.alloys:
            return Verdict((), (Reason("alloy", f"not qualified for {line.alloy_id}"),))
        if changeover(network, machine.loaded_alloy_id, line.alloy_id, machine) is None:
            sentence = f"a change from {machine.loaded_alloy_id} to {line.alloy_id} is never made on it"
            return Verdict((), (Reason("changeover", sentence),))
        parameter_set = network.parameter_set[line.parameter_set_id]
        choices: list[Choice] = []
        reasons: list[Reason] = []
        for orientation in part.orientations:
            if line.as_modelled and orientation.key != "a":
                continue
            if orientation.height_mm > machine.height_mm:
                reasons.append(
                    Reason(
                        "height",
                        f"{orientation.name}: {orientation.height_mm:.1f} mm is taller than"
                        f" the machine's {machine.height_mm:g} mm",
                    )
                )
                continue
            shape = self.shape(part, orientation)
            if not self._one_fits(machine, shape, line.coupons):
                footprint, plate = orientation.footprint, machine.plate
                beside = f" beside {line.coupons} witness coupons" if line.coupons else ""
                reasons.append(
                    Reason(
                        "plate",
                        f"{orientation.name}: a footprint of {footprint.width_mm:.0f} x {footprint.depth_mm:.0f} mm"
                        f" does not fit the plate of {plate.width_mm:g} x {plate.depth_mm:g} mm{beside}",
                    )
                )
                continue
            choices.append(
                Choice(
                    orientation=orientation.key,
                    shape=shape,
                    load=piece_load(
                        network,
                        machine,
                        parameter_set,
                        part.volume_mm3,
                        orientation.support_volume_mm3,
                        orientation.footprint.area_mm2,
                        orientation.height_mm,
                    ),
                    layers=layers(orientation.height_mm, parameter_set.layer_mm),
                    support_cm3=orientation.support_volume_mm3 / 1000,
                    bound_area_mm2=shape.bound_area_mm2(machine.plate.spacing_mm),
                )
            )
        return Verdict(tuple(choices), tuple(reasons))

    def _one_fits(self, machine: Machine, shape: Shape, coupons: int) -> bool:
        """Whether one piece, and the coupons its certificate demands, fit the empty plate."""
        spec = self._specs[machine.machine_id]
        key = (spec, shape.key, coupons)
        if key not in self._fits:
            self._fits[key] = self._stands(spec, shape, coupons)
        return self._fits[key]

    def _stands(self, spec: PlateSpec, shape: Shape, coupons: int) -> bool:
        if coupons == 0 and _clearly_stands(spec, shape):
            return True
        nest = Nest(spec)
        return nest.add(self.coupon, coupons) == coupons and nest.add(shape, 1) == 1


def _clearly_stands(spec: PlateSpec, shape: Shape) -> bool:
    """Quick certain yes: the piece's box, turned as permitted and centred, keeps off margin and keep-outs."""
    corners = np.array([vertex for outer, _ in shape.polygons for vertex in outer])
    middle_x, middle_y = spec.width_mm / 2, spec.depth_mm / 2
    for angle in shape.angles_deg:
        turn = math.radians(angle)
        x = corners[:, 0] * math.cos(turn) - corners[:, 1] * math.sin(turn)
        y = corners[:, 0] * math.sin(turn) + corners[:, 1] * math.cos(turn)
        half_x, half_y = float(np.ptp(x)) / 2, float(np.ptp(y)) / 2
        if spec.round:
            inside = math.hypot(half_x, half_y) <= middle_x - spec.edge_margin_mm
        else:
            inside = half_x <= middle_x - spec.edge_margin_mm and half_y <= middle_y - spec.edge_margin_mm
        if inside and all(
            math.hypot(max(0.0, abs(k.x_mm - middle_x) - half_x), max(0.0, abs(k.y_mm - middle_y) - half_y))
            >= k.radius_mm
            for k in spec.keep_outs
        ):
            return True
    return False


def _services(network: Network, site: Site, step: Step, line: OrderLine) -> bool:
    services = network.outside(site.site_id, step)
    if line.export_control is None:
        return bool(services)
    last = network.now.date() + timedelta(days=_SERVICE_HORIZON_DAYS)
    days = (network.now.date(), last)
    return any(_covers(s.credentials, line.export_control, days) for s in services)


def _covers(credentials: Iterable[Credential], code: str, days: tuple[date, ...]) -> bool:
    return any(c.code == code and all(c.covers(d) for d in days) for c in credentials)


def _best_credential(credentials: tuple[Credential, ...], code: str, day: date) -> Credential | None:
    """The credential in force with the latest end, else the one in force soonest; None when all are spent."""
    held = [c for c in credentials if c.code == code and (c.valid_until is None or c.valid_until >= day)]
    now = [c for c in held if c.covers(day)]
    if now:
        return max(now, key=lambda c: c.valid_until or date.max)
    return min(held, key=lambda c: c.valid_from or date.min, default=None)
