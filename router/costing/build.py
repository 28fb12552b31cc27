"""Time, cost and carbon of one build (RULES.md, sections 3 and 4)."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from router.costing.loads import PieceLoad, melting_cm3_h
from router.domain.alloys import ParameterSet
from router.domain.machines import Machine
from router.domain.network import Network
from router.domain.plan import BuildCost
from router.kernel.money import round_cents


@dataclass(frozen=True, slots=True)
class BuildFigures:
    """Everything countable about one build."""

    n_layers: int
    exposure_s: float
    melted_kg: float
    run_s: float
    run_min: int
    cost: BuildCost
    kwh: float
    co2e_kg: float
    carbon_cents: int


class BuildRates:
    """The plain numbers by which one machine prices a build in one parameter set.

    The methods keep the order of operations of RULES.md, so that whoever works the same formula out again in
    floating point lands on the same cents.
    """

    __slots__ = (
        "_att_h",
        "_bed_loss",
        "_carbon_per_kg",
        "_cooldown_s",
        "_density",
        "_energy",
        "_gas",
        "_grid",
        "_labour",
        "_labour_cents",
        "_loss",
        "_packing",
        "_plate",
        "_plate_mm2",
        "_power",
        "_price",
        "_purge",
        "_rate",
        "_recoat_s",
        "_setup_s",
        "layer_mm",
        "melting_cm3_h",
        "parameter_set_id",
    )

    def __init__(self, network: Network, machine: Machine, parameter_set: ParameterSet) -> None:
        site = network.site[machine.site_id]
        alloy = network.alloy[parameter_set.alloy_id]
        self.parameter_set_id = parameter_set.parameter_set_id
        self.layer_mm = parameter_set.layer_mm
        self.melting_cm3_h = melting_cm3_h(machine, parameter_set)
        self._recoat_s = machine.recoat_s
        self._setup_s = 60 * machine.setup_min
        self._cooldown_s = 60 * machine.cooldown_min
        self._att_h = (machine.load_min + machine.unload_min) / 60
        self._rate = machine.rate_cents_per_h
        self._plate = machine.plate_cents
        self._purge = machine.purge_cents
        self._gas = machine.gas_cents_per_h
        self._power = machine.power_kw
        self._energy = site.energy_cents_per_kwh
        self._grid = site.grid_kg_co2e_per_kwh
        self._labour = site.labour_cents_per_h
        self._labour_cents = round_cents(self._labour * self._att_h)
        self._plate_mm2 = machine.plate.area_mm2
        self._density = alloy.density_g_cm3
        self._price = alloy.powder_cents_per_kg
        self._loss = alloy.powder_loss_fraction
        self._bed_loss = alloy.bed_loss_fraction
        self._packing = network.powder_packing
        self._carbon_per_kg = network.carbon_cents_per_kg

    def exposure_s(self, melted_cm3: float) -> float:
        """Laser time of a melted volume, seconds."""
        return 3600 * melted_cm3 / self.melting_cm3_h

    def run_s(self, n_layers: int, exposure_s: float) -> float:
        """Length of a run, seconds: set-up, recoating, exposure, cooling."""
        return self._setup_s + n_layers * self._recoat_s + exposure_s + self._cooldown_s

    def run_min(self, n_layers: int, exposure_s: float) -> int:
        """Length of a run in whole minutes."""
        return math.ceil(self.run_s(n_layers, exposure_s) / 60 - 1e-9)

    def bed_kg(self, n_layers: int) -> float:
        """Powder in the bed up to a number of layers."""
        return self._plate_mm2 * n_layers * self.layer_mm / 1e6 * self._density * self._packing

    def kwh(self, n_layers: int, exposure_s: float) -> float:
        """Electricity of a run."""
        return self._power * (self.run_s(n_layers, exposure_s) / 3600)

    def co2e_kg(self, n_layers: int, exposure_s: float) -> float:
        """Emissions of a run's electricity."""
        return self.kwh(n_layers, exposure_s) * self._grid

    def carbon_cents(self, n_layers: int, exposure_s: float) -> int:
        """Price of a run's emissions."""
        return round_cents(self.co2e_kg(n_layers, exposure_s) * self._carbon_per_kg)

    def cost(self, n_layers: int, exposure_s: float, melted_kg: float) -> BuildCost:
        """Itemised cost of a build."""
        run_h = self.run_s(n_layers, exposure_s) / 3600
        return BuildCost(
            machine_cents=round_cents(self._rate * (run_h + self._att_h)),
            plate_cents=self._plate,
            powder_cents=round_cents(
                self._price * (melted_kg * (1 + self._loss) + self.bed_kg(n_layers) * self._bed_loss)
            ),
            gas_cents=round_cents(self._purge + self._gas * run_h),
            energy_cents=round_cents(self._power * run_h * self._energy),
            labour_cents=self._labour_cents,
        )

    def total_cents(self, n_layers: int, exposure_s: float, melted_kg: float) -> int:
        """``cost(...).total_cents`` without the items: for inner loops."""
        floor = math.floor
        run_h = (self._setup_s + n_layers * self._recoat_s + exposure_s + self._cooldown_s) / 3600
        bed = self._plate_mm2 * n_layers * self.layer_mm / 1e6 * self._density * self._packing
        return (
            floor(self._rate * (run_h + self._att_h) + 0.5)
            + self._plate
            + floor(self._price * (melted_kg * (1 + self._loss) + bed * self._bed_loss) + 0.5)
            + floor(self._purge + self._gas * run_h + 0.5)
            + floor(self._power * run_h * self._energy + 0.5)
            + self._labour_cents
        )

    def with_carbon_cents(self, n_layers: int, exposure_s: float, melted_kg: float) -> int:
        """Total of a build and the price of its emissions: what it adds to the landed cost of a plan."""
        return self.total_cents(n_layers, exposure_s, melted_kg) + self.carbon_cents(n_layers, exposure_s)

    @property
    def hour_cents(self) -> float:
        """What an hour of running costs: machine, gas, energy."""
        return self._rate + self._gas + self._power * self._energy

    @property
    def layer_cents(self) -> float:
        """What one layer costs the whole plate, unrounded: recoating time and powder lost from the bed."""
        bed = self._plate_mm2 * self.layer_mm / 1e6 * self._density * self._packing
        return self._recoat_s / 3600 * self.hour_cents + self._price * bed * self._bed_loss

    def own_cents(self, load: PieceLoad) -> float:
        """What one piece costs by itself on any plate, unrounded: its exposure and its powder."""
        return load.exposure_h * self.hour_cents + self._price * load.melted_kg * (1 + self._loss)

    @property
    def start_cents(self) -> float:
        """What a build costs whatever is on it, unrounded: set-up, cooling, plate, purge, loading and unloading."""
        idle_h = (self._setup_s + self._cooldown_s) / 3600
        return idle_h * self.hour_cents + self._att_h * (self._rate + self._labour) + self._plate + self._purge

    def figures(self, loads: Iterable[PieceLoad]) -> BuildFigures:
        """Everything about the build that carries these pieces, coupons among them. Raises ValueError for none."""
        n_layers, melted, kg = 0, 0.0, 0.0
        for load in loads:
            n_layers = max(n_layers, load.n_layers)
            melted += load.melted_cm3
            kg += load.melted_kg
        if n_layers == 0:
            raise ValueError("a build carries at least one piece")
        exposure = self.exposure_s(melted)
        return BuildFigures(
            n_layers=n_layers,
            exposure_s=exposure,
            melted_kg=kg,
            run_s=self.run_s(n_layers, exposure),
            run_min=self.run_min(n_layers, exposure),
            cost=self.cost(n_layers, exposure, kg),
            kwh=self.kwh(n_layers, exposure),
            co2e_kg=self.co2e_kg(n_layers, exposure),
            carbon_cents=self.carbon_cents(n_layers, exposure),
        )


def run_s(machine: Machine, n_layers: int, exposure_s: float) -> float:
    """Length of a run in seconds: ``60 setup + layers x recoat + exposure + 60 cooldown``."""
    return 60 * machine.setup_min + n_layers * machine.recoat_s + exposure_s + 60 * machine.cooldown_min


def run_min(machine: Machine, n_layers: int, exposure_s: float) -> int:
    """Length of a run in whole minutes, rounded up."""
    return math.ceil(run_s(machine, n_layers, exposure_s) / 60 - 1e-9)


def build_cost(
    network: Network,
    machine: Machine,
    parameter_set: ParameterSet,
    n_layers: int,
    exposure_s: float,
    melted_kg: float,
) -> BuildCost:
    """Itemised cost of one build; in inner loops keep a ``BuildRates`` instead."""
    return BuildRates(network, machine, parameter_set).cost(n_layers, exposure_s, melted_kg)


def energy_kwh(machine: Machine, run_s: float) -> float:
    """Electricity of a run of so many seconds."""
    return machine.power_kw * (run_s / 3600)


def build_carbon(network: Network, machine: Machine, kwh: float) -> tuple[float, int]:
    """Emissions in kg CO2e and their price in cents for so much electricity at the machine's site."""
    co2e_kg = kwh * network.site[machine.site_id].grid_kg_co2e_per_kwh
    return co2e_kg, round_cents(co2e_kg * network.carbon_cents_per_kg)
