"""Who may build what: every (line, machine, orientation) is a choice or carries its reasons.

Section 2 of router/domain/RULES.md. Nothing is dropped silently: a refusal is kept as a sentence.
"""

from __future__ import annotations

import math
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
Windows = tuple[tuple[Minute, Minute], ...]
"""Stretches [from, before) in which a run may begin, in order."""
ALWAYS: Windows = ((0, FAR_FUTURE),)


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
    unproven: tuple[Choice, ...]
    """Orientations for which no place on the plate was found, though nothing proves that there is none: a bound
    must allow for them."""
    reasons: tuple[Reason, ...]
    """All reasons against; orientations refused are named even where others are possible."""


@dataclass(frozen=True, slots=True)
class SiteVerdict:
    """Reasons that rule a whole site out, and the window of days its credentials leave for the build."""

    reasons: tuple[Reason, ...]
    windows: Windows


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

    def conceivable(self, line_id: str, machine: Machine) -> tuple[Choice, ...]:
        """Choices a bound must allow for: the possible ones and those for which no place was found."""
        if self.sites[line_id, machine.site_id].reasons:
            return ()
        verdict = self.machines[line_id, machine.machine_id]
        return verdict.choices + verdict.unproven

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
        windows = ALWAYS
        for code, kind in codes:
            held_when = _held(site.credentials, code, first_day, staffed)
            if not held_when:
                held = [c for c in site.credentials if c.code == code]
                lapsed = f" (expired {max(c.valid_until for c in held if c.valid_until)})" if held else ""
                reasons.append(Reason(kind, f"the site does not hold {kind} {code}{lapsed}"))
                continue
            windows = common(windows, held_when)
            if not windows:
                reasons.append(Reason(kind, f"{kind} {code} is never held together with the others the line needs"))
        part_kg = part.volume_mm3 / 1e6 * network.alloy[line.alloy_id].density_g_cm3
        box_cm3 = part.bbox_mm[0] * part.bbox_mm[1] * part.bbox_mm[2] / 1000
        if not quotes(network, site.site_id, line.ship_to, part_kg, box_cm3, line.quantity):
            why = refusals(network, site.site_id, line.ship_to, part_kg, box_cm3, line.quantity)
            reasons.append(Reason("carrier", "no carrier can take the shipment: " + "; ".join(why)))
        return SiteVerdict(tuple(reasons), windows)

    def _judge_machine(self, line: OrderLine, machine: Machine, part: PartFacts) -> Verdict:
        network = self._network
        if line.alloy_id not in machine.alloys:
            return Verdict((), (), (Reason("alloy", f"not qualified for {line.alloy_id}"),))
        if changeover(network, machine.loaded_alloy_id, line.alloy_id, machine) is None:
            sentence = f"a change from {machine.loaded_alloy_id} to {line.alloy_id} is never made on it"
            return Verdict((), (), (Reason("changeover", sentence),))
        parameter_set = network.parameter_set[line.parameter_set_id]
        choices: list[Choice] = []
        unproven: list[Choice] = []
        reasons: list[Reason] = []
        for orientation in part.orientations:
            if line.as_modelled and orientation.key != "a":
                continue
            if line.coupons and network.coupon.height_mm > machine.height_mm:
                coupon_mm = network.coupon.height_mm
                reasons.append(
                    Reason(
                        "coupon",
                        f"a witness coupon of {coupon_mm:g} mm is taller than the machine's {machine.height_mm:g} mm",
                    )
                )
                break
            if orientation.height_mm > machine.height_mm:
                reasons.append(
                    Reason(
                        "height",
                        f"{orientation.name}: {orientation.height_mm:.1f} mm is taller than"
                        f" the machine's {machine.height_mm:g} mm",
                    )
                )
                continue
            shape = self._fitting_shape(machine, part, orientation, line.coupons)
            choice = Choice(
                orientation=orientation.key,
                shape=shape or self.shape(part, orientation),
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
                bound_area_mm2=(shape or self.shape(part, orientation)).bound_area_mm2(machine.plate.spacing_mm),
            )
            if shape is not None:
                choices.append(choice)
                continue
            if not _never_stands(self._specs[machine.machine_id], choice.shape):
                unproven.append(choice)
            footprint, plate = orientation.footprint, machine.plate
            beside = f" beside {line.coupons} witness coupons" if line.coupons else ""
            reasons.append(
                Reason(
                    "plate",
                    f"{orientation.name}: no place was found for a footprint of {footprint.width_mm:.0f} x"
                    f" {footprint.depth_mm:.0f} mm on the plate of {plate.width_mm:g} x {plate.depth_mm:g} mm{beside}",
                )
            )
        return Verdict(tuple(choices), tuple(unproven), tuple(reasons))

    def _fitting_shape(self, machine: Machine, part: PartFacts, orientation: Orientation, coupons: int) -> Shape | None:
        """The footprint with rotations in which one piece, and its coupons, fit the empty plate; None when none do.

        The few usual rotations are tried first; a piece they do not place gets every permitted one in steps of 15
        degrees.
        """
        usual = self.shape(part, orientation)
        for shape in (usual, self._turning(part, orientation)):
            key = (self._specs[machine.machine_id], shape.key, coupons)
            if key not in self._fits:
                self._fits[key] = self._stands(key[0], shape, coupons)
            if self._fits[key]:
                return shape
        return None

    def _turning(self, part: PartFacts, orientation: Orientation) -> Shape:
        """The footprint with every permitted plate rotation in steps of 15 degrees."""
        key = (part.content_hash, f"{orientation.key} every way")
        if key not in self._shapes:
            polygons, network = orientation.footprint.polygons, self._network
            every = Shape.make(polygons, tuple(float(a) for a in range(0, 360, 15)))
            self._shapes[key] = Shape.make(
                polygons, _off_blade(every, network.recoater_min_off_deg, network.recoater_long_ratio)
            )
        return self._shapes[key]

    def _stands(self, spec: PlateSpec, shape: Shape, coupons: int) -> bool:
        if coupons == 0 and _clearly_stands(spec, shape):
            return True
        nest = Nest(spec)
        return nest.add(self.coupon, coupons) == coupons and nest.add(shape, 1) == 1


def _off_blade(shape: Shape, min_off_deg: float, long_ratio: float) -> tuple[float, ...]:
    """Those rotations of a shape that keep the long axis of an elongated footprint off the blade."""
    corners = np.array(shape.region().minimum_rotated_rectangle.exterior.coords)
    sides = np.diff(corners[:3], axis=0)
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    if float(lengths.max()) < long_ratio * float(max(lengths.min(), 1e-9)):
        return shape.angles_deg
    long_side = sides[int(np.argmax(lengths))]
    axis_deg = math.degrees(math.atan2(long_side[1], long_side[0]))
    leans = {a: (axis_deg + a) % 180 for a in shape.angles_deg}
    return tuple(a for a, lean in leans.items() if min(lean, 180 - lean) >= min_off_deg - 1e-9)


def _never_stands(spec: PlateSpec, shape: Shape) -> bool:
    """Certain no at whatever angle: too much area, too long for the diagonal, or nowhere narrow enough."""
    if shape.area_mm2 > spec.usable_area_mm2 * (1 + 1e-9):
        return True
    hull = np.array(shape.region().convex_hull.exterior.coords)
    edges = np.diff(hull, axis=0)
    normals = np.stack([-edges[:, 1], edges[:, 0]], axis=1) / np.hypot(edges[:, 0], edges[:, 1])[:, None]
    across = hull @ normals.T
    narrowest = float(np.ptp(across, axis=0).min())
    longest = float(np.hypot(*(hull[:, None, :] - hull[None, :, :]).transpose(2, 0, 1)).max())
    wide, deep = spec.width_mm - 2 * spec.edge_margin_mm, spec.depth_mm - 2 * spec.edge_margin_mm
    diagonal = wide if spec.round else math.hypot(wide, deep)
    return narrowest > min(wide, deep) + 1e-6 or longest > diagonal + 1e-6


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
    code = line.export_control
    if code is None:
        return bool(services)
    today = network.now.date()
    # Whether it is still held on the day of collection is looked at when the moment is known.
    return any(
        c.code == code and (c.valid_until is None or c.valid_until >= today) for s in services for c in s.credentials
    )


def _held(credentials: tuple[Credential, ...], code: str, first_day: date, staffed: StaffedTime) -> Windows:
    """When a code is held from a day on, records that follow one another united."""
    spans = []
    for credential in credentials:
        if credential.code != code or (credential.valid_until is not None and credential.valid_until < first_day):
            continue
        start = 0 if credential.valid_from is None else staffed.at_local(credential.valid_from, time(0))
        until = credential.valid_until
        spans.append((start, FAR_FUTURE if until is None else staffed.at_local(until + timedelta(days=1), time(0))))
    united: list[tuple[Minute, Minute]] = []
    for start, before in sorted(spans):
        if united and start <= united[-1][1]:
            united[-1] = (united[-1][0], max(united[-1][1], before))
        else:
            united.append((start, before))
    return tuple(united)


def common(some: Windows, others: Windows) -> Windows:
    """Stretches that lie in both."""
    both = ((max(a, c), min(b, d)) for a, b in some for c, d in others)
    return tuple(sorted((start, before) for start, before in both if start < before))
