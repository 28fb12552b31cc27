"""Who may build what: every (line, machine, orientation) is a choice or carries its reasons.

Section 2 of router/domain/RULES.md. Nothing is dropped silently: a refusal is kept as a sentence. Verdicts are shared,
so that work grows with what differs and not with lines times machines:

- lines of one model, alloy, parameter set, number of coupons and ``as_modelled`` are one *kind*;
- machines alike in all a verdict reads (plate, height, alloys, what is loaded, melting rate) are one *machine class*;
- what a site says is shared as router/planning/site_gates.py tells.
"""

from __future__ import annotations

from dataclasses import dataclass

from router.costing import PieceLoad, changeover, layers, piece_load
from router.domain.machines import Machine
from router.domain.network import Scenario
from router.domain.nowhere import alloy_nowhere, aside
from router.domain.orders import OrderLine
from router.geometry import Orientation, PartFacts, unusable
from router.nesting import KeepOut, PlateSpec, Shape
from router.planning.site_gates import ALWAYS, FAR_FUTURE, Reason, SiteGates, SiteVerdict, Windows, common
from router.planning.standing import Standing
from router.worktime import StaffedTime

__all__ = [
    "ALWAYS",
    "FAR_FUTURE",
    "Choice",
    "Eligibility",
    "Reason",
    "SiteVerdict",
    "Verdict",
    "Windows",
    "common",
    "plate_spec",
]


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
    """All verdicts of a scenario, by index or by name; each is worked out once for all that share it."""

    def __init__(self, scenario: Scenario, staffed: dict[str, StaffedTime]) -> None:
        network = scenario.network
        self._network = network
        self._parts = dict(scenario.parts)
        self._standing = Standing(network)
        self.coupon = self._standing.coupon
        """Footprint of a witness coupon."""
        self._line_index = {x.line_id: i for i, x in enumerate(scenario.lines)}
        self._site_index = {s.site_id: n for n, s in enumerate(network.sites)}
        self._machine_index = {m.machine_id: k for k, m in enumerate(network.machines)}
        specs = [plate_spec(m) for m in network.machines]
        self._numbers: dict[tuple[object, ...], int] = {}
        self.kind, self._patterns = _kinds(scenario.lines, self._numbers)
        """By line: the number of its kind."""
        self.machine_class, self._models = _classes(network.machines, specs)
        """By machine: the number of its class."""
        self._specs = [specs[k] for k in self._models]
        self.part_kg, self.box_cm3 = _weights(scenario)
        """By line: mass of one piece without supports, and its bounding box as modelled."""
        self._gates = SiteGates(scenario, staffed, self.part_kg, self.box_cm3)
        self.open_sites = self._gates.open
        """By line: the sites that may take it, as bits (bit ``s`` is ``network.sites[s]``)."""
        self._verdicts: dict[tuple[int, int], Verdict] = {}
        self._choices: dict[tuple[object, ...], Choice] = {}
        self.sites = _SiteVerdicts(self)
        """``sites[line_id, site_id]``: what a whole site says."""
        self.machines = _MachineVerdicts(self)
        """``machines[line_id, machine_id]``: what a machine says, its site not asked."""

    def admit(self, line: OrderLine, part: PartFacts) -> None:
        """Take in one line more, as the last by index. A line of its name before it is no longer found by name."""
        self._parts[line.model] = part
        self._line_index[line.line_id] = len(self.kind)
        kinds, patterns = _kinds((line,), self._numbers)
        self.kind += kinds
        self._patterns += patterns
        sides = part.bbox_mm
        self.box_cm3.append(sides[0] * sides[1] * sides[2] / 1000)
        self.part_kg.append(part.volume_mm3 / 1e6 * self._network.alloy[line.alloy_id].density_g_cm3)
        self._gates.admit(line)

    @property
    def n_kinds(self) -> int:
        """How many kinds of lines there are."""
        return len(self._patterns)

    @property
    def n_machine_classes(self) -> int:
        """How many classes of machines there are."""
        return len(self._models)

    def first_machine(self, machine_class: int) -> int:
        """Index of the first machine of a class."""
        return self._models[machine_class]

    def verdict(self, kind: int, machine_class: int) -> Verdict:
        """What machines of a class can do for lines of a kind; their sites are not asked."""
        key = (kind, machine_class)
        found = self._verdicts.get(key)
        if found is None:
            found = self._verdicts[key] = self._judge(self._patterns[kind], machine_class)
        return found

    def site_verdict(self, line: int, site: int) -> SiteVerdict:
        """What a site says to a line, both by index."""
        return self._gates.verdict(line, site)

    def of_site(self, line_id: str, site_id: str) -> SiteVerdict:
        """What a site says to a line, both by name. Raises KeyError for names that are not there."""
        return self._gates.verdict(self._line_index[line_id], self._site_index[site_id])

    def of_machine(self, line_id: str, machine_id: str) -> Verdict:
        """What a machine says to a line, both by name. Raises KeyError for names that are not there."""
        return self.verdict(self.kind[self._line_index[line_id]], self.machine_class[self._machine_index[machine_id]])

    def conceivable(self, line_id: str, machine: Machine) -> tuple[Choice, ...]:
        """Choices a bound must allow for: the possible ones and those for which no place was found."""
        if not self._open(line_id, machine):
            return ()
        verdict = self.of_machine(line_id, machine.machine_id)
        return verdict.choices + verdict.unproven

    def possible(self, line_id: str, machine: Machine) -> tuple[Choice, ...]:
        """Choices left when site and machine are both asked."""
        return self.of_machine(line_id, machine.machine_id).choices if self._open(line_id, machine) else ()

    def _open(self, line_id: str, machine: Machine) -> bool:
        return bool(self.open_sites[self._line_index[line_id]] >> self._site_index[machine.site_id] & 1)

    def why_not(self, line_id: str, site_id: str) -> tuple[str, ...]:
        """Sentences why a site cannot build a line; empty when it can."""
        sentences = [r.sentence for r in self.of_site(line_id, site_id).reasons]
        machines = [m for m in self._network.machines if m.site_id == site_id]
        verdicts = [self.of_machine(line_id, m.machine_id) for m in machines]
        if any(verdict.choices for verdict in verdicts):
            return tuple(sentences)
        if not machines:
            sentences.append("the site has no machine")
        seen: dict[str, list[str]] = {}
        for machine, verdict in zip(machines, verdicts, strict=True):
            for reason in verdict.reasons:
                seen.setdefault(reason.sentence, []).append(machine.machine_id)
        sentences += [f"{', '.join(ids)}: {sentence}" for sentence, ids in seen.items()]
        return tuple(sentences)

    def _judge(self, line: OrderLine, machine_class: int) -> Verdict:
        network = self._network
        machine = network.machines[self._models[machine_class]]
        spec = self._specs[machine_class]
        if line.alloy_id not in machine.alloys:
            said = f"not qualified for {line.alloy_id}" + aside(alloy_nowhere(network, line.alloy_id))
            return Verdict((), (), (Reason("alloy", said),))
        if changeover(network, machine.loaded_alloy_id, line.alloy_id, machine) is None:
            sentence = f"a change from {machine.loaded_alloy_id} to {line.alloy_id} is never made on it"
            return Verdict((), (), (Reason("changeover", sentence),))
        part = self._parts[line.model]
        bad = unusable(part)
        if bad is not None:
            # A book kept before such models were refused: the line stays unplanned, the rest of the plan does not.
            return Verdict((), (), (Reason("model", bad.sentence()),))
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
            shape = self._standing.fitting(spec, part, orientation, line.coupons)
            choice = self._choice(line, machine, part, orientation, shape or self._standing.shape(part, orientation))
            if shape is not None:
                choices.append(choice)
                continue
            if not self._standing.never(spec, choice.shape):
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

    def _choice(
        self, line: OrderLine, machine: Machine, part: PartFacts, orientation: Orientation, shape: Shape
    ) -> Choice:
        """A choice, shared by all kinds and classes in which nothing of it differs."""
        spacing = machine.plate.spacing_mm
        key = (
            line.model,
            orientation.key,
            line.parameter_set_id,
            machine.lasers,
            machine.laser_efficiency,
            spacing,
            shape.key,
        )
        found = self._choices.get(key)
        if found is None:
            parameter_set = self._network.parameter_set[line.parameter_set_id]
            found = self._choices[key] = Choice(
                orientation=orientation.key,
                shape=shape,
                load=piece_load(
                    self._network,
                    machine,
                    parameter_set,
                    part.volume_mm3,
                    orientation.support_volume_mm3,
                    orientation.footprint.area_mm2,
                    orientation.height_mm,
                ),
                layers=layers(orientation.height_mm, parameter_set.layer_mm),
                support_cm3=orientation.support_volume_mm3 / 1000,
                bound_area_mm2=shape.bound_area_mm2(spacing),
            )
        return found


class _SiteVerdicts:
    """Verdicts of sites by (line id, site id)."""

    __slots__ = ("_eligibility",)

    def __init__(self, eligibility: Eligibility) -> None:
        self._eligibility = eligibility

    def __getitem__(self, key: tuple[str, str]) -> SiteVerdict:
        return self._eligibility.of_site(*key)


class _MachineVerdicts:
    """Verdicts of machines by (line id, machine id)."""

    __slots__ = ("_eligibility",)

    def __init__(self, eligibility: Eligibility) -> None:
        self._eligibility = eligibility

    def __getitem__(self, key: tuple[str, str]) -> Verdict:
        return self._eligibility.of_machine(*key)


def _kinds(lines: tuple[OrderLine, ...], numbers: dict[tuple[object, ...], int]) -> tuple[list[int], list[OrderLine]]:
    """The kind of every line, and a line of every kind that ``numbers`` did not have."""
    known = len(numbers)
    kinds: list[int] = []
    patterns: list[OrderLine] = []
    for line in lines:
        key = (line.model, line.alloy_id, line.parameter_set_id, line.as_modelled, line.coupons)
        kind = numbers.setdefault(key, len(numbers))
        if kind == known + len(patterns):
            patterns.append(line)
        kinds.append(kind)
    return kinds, patterns


def _classes(machines: tuple[Machine, ...], specs: list[PlateSpec]) -> tuple[list[int], list[int]]:
    """The class of every machine, and the first machine of every class."""
    numbers: dict[tuple[object, ...], int] = {}
    classes: list[int] = []
    models: list[int] = []
    for k, (machine, spec) in enumerate(zip(machines, specs, strict=True)):
        key = (
            spec,
            machine.height_mm,
            frozenset(machine.alloys),
            machine.loaded_alloy_id,
            machine.lasers,
            machine.laser_efficiency,
        )
        number = numbers.setdefault(key, len(numbers))
        if number == len(models):
            models.append(k)
        classes.append(number)
    return classes, models


def _weights(scenario: Scenario) -> tuple[list[float], list[float]]:
    """Mass of one piece without supports, kg, and volume of its bounding box as modelled, cm3, of every line."""
    part_kg: dict[tuple[str, str], float] = {}
    box_cm3: dict[str, float] = {}
    for model in {x.model for x in scenario.lines}:
        sides = scenario.parts[model].bbox_mm
        box_cm3[model] = sides[0] * sides[1] * sides[2] / 1000
    for model, alloy_id in {(x.model, x.alloy_id) for x in scenario.lines}:
        density = scenario.network.alloy[alloy_id].density_g_cm3
        part_kg[model, alloy_id] = scenario.parts[model].volume_mm3 / 1e6 * density
    lines = scenario.lines
    return [part_kg[x.model, x.alloy_id] for x in lines], [box_cm3[x.model] for x in lines]
