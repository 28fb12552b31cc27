"""Records of the network file: machines, plates, maintenance, changeovers, alloys, parameter sets."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import model_validator

from router.formats.model_base import Record, note, require
from router.formats.scalars import (
    Cents,
    Flag,
    Fraction,
    Line,
    Minutes,
    Name,
    NumberFromZero,
    PointInTime,
    PositiveFraction,
    PositiveNumber,
    Real,
    Text,
    Whole,
)

THINNEST_LAYER_MM = 0.005
"""Powder grains are larger than thinner layers (common practice, no source)."""
Length = Annotated[float, Real(above=0, most=5000)]


class KeepOutRecord(Record):
    """A round area of the plate no piece may enter."""

    x_mm: NumberFromZero = note("centre, from the plate's lower-left corner")
    y_mm: NumberFromZero = note("centre, from the plate's lower-left corner")
    radius_mm: PositiveNumber = note("radius")


class PlateRecord(Record):
    """Build platform; the recoater blade lies along x."""

    width_mm: Length = note("size along the recoater blade (x)")
    depth_mm: Length = note("size in the recoating direction (y)")
    round: Flag = note("true for a round plate of that width", default=False)
    edge_margin_mm: NumberFromZero = note("strip along the edge that stays empty", default=5.0)
    spacing_mm: NumberFromZero = note("least gap between pieces", default=3.0)
    keep_outs: list[KeepOutRecord] = note("fixing screws, sensors", default=[])

    @model_validator(mode="after")
    def _usable(self) -> Self:
        require(
            not self.round or self.width_mm == self.depth_mm,
            f"width_mm of a round plate, {self.width_mm:g}",
            "depth_mm",
            self.depth_mm,
        )
        roomy = 2 * self.edge_margin_mm < min(self.width_mm, self.depth_mm)
        require(roomy, "a margin that leaves room on the plate", "edge_margin_mm", self.edge_margin_mm)
        for zone in self.keep_outs:
            inside = zone.x_mm <= self.width_mm and zone.y_mm <= self.depth_mm
            require(inside, "centres on the plate", "keep_outs", f"centre ({zone.x_mm:g}, {zone.y_mm:g})")
            most = min(self.width_mm, self.depth_mm) / 2
            require(
                zone.radius_mm < most,
                f"a radius below half the plate, {most:g} mm",
                "keep_outs",
                f"radius {zone.radius_mm:g} mm",
            )
        return self


class MaintenanceRecord(Record):
    """A planned stop: nothing of a build lies inside."""

    start: PointInTime = note("first moment of the stop")
    end: PointInTime = note("first moment after it")
    why: Annotated[str, Text(least=0)] = note("reason", default="")

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        require(self.start < self.end, f"an end after the start, {self.start.isoformat()}", "end", self.end.isoformat())
        return self


class MachineRecord(Record):
    """One AM machine (PBF-LB/M)."""

    id: Name = note("short name of the machine, unique in the network")
    model: Line = note("what kind of machine it is")
    plate: PlateRecord = note("build platform")
    height_mm: Length = note("greatest build height")
    lasers: Annotated[int, Whole(1, 64)] = note("number of lasers", default=1)
    laser_efficiency: PositiveFraction | None = note(
        "share of lasers x single-laser rate that is reached; left out: 1 for one laser, required for more",
        default=None,
    )
    recoat_s: PositiveNumber = note("seconds to recoat a layer")
    setup_min: Minutes = note("preheat and inerting, part of the run", default=60)
    cooldown_min: Minutes = note("cooling, part of the run", default=120)
    load_min: Minutes = note("minutes of an operator to load a plate", default=45)
    unload_min: Minutes = note("minutes of an operator to unload a plate", default=60)
    rate_per_h: Cents = note("cost of the machine, currency an hour")
    purge: Cents = note("gas to inert the chamber, currency a build")
    gas_per_h: Cents = note("gas while running, currency an hour")
    power_kw: NumberFromZero = note("mean electric power while running, kW")
    plate_cost: Cents = note("plate preparation and resurfacing, currency a build")
    alloys: list[Name] = note("alloys it may run", min_length=1)
    loaded_alloy: Name | None = note("alloy it holds now; left out or null: empty", default=None)
    available_from: PointInTime | None = note("free from; left out: the network's now", default=None)
    maintenance: list[MaintenanceRecord] = note("planned stops", default=[])

    @model_validator(mode="after")
    def _efficiency_given(self) -> Self:
        stated = self.lasers == 1 or self.laser_efficiency is not None
        require(stated, f"the share that {self.lasers} lasers reach together, e.g. 0.85", "laser_efficiency")
        return self


class ParameterSetRecord(Record):
    """Layer thickness and melting rate; parts share a plate only within one parameter set."""

    id: Name = note("short name of the parameter set, unique in the network")
    layer_mm: Annotated[float, Real(least=THINNEST_LAYER_MM, most=1)] = note("layer thickness")
    build_rate_cm3_h: PositiveNumber = note("volume one laser melts an hour at full use")
    support_density: Fraction = note("solid share of the bulk support volume", default=0.3)


class AlloyRecord(Record):
    """A powder alloy with its parameter sets."""

    id: Name = note("short name of the alloy, unique")
    name: Line = note("full name of the alloy")
    family: Name = note("family for changeover rules, e.g. nickel")
    density_g_cm3: Annotated[float, Real(above=0, most=25)] = note("density of the solid")
    powder_per_kg: Cents = note("price of powder, currency a kilogram")
    powder_loss_fraction: Fraction = note("powder lost for each kilogram melted", default=0.05)
    bed_loss_fraction: Fraction = note("share of the powder bed under the build's height lost each build", default=0.01)
    stress_relief: Flag = note("plates are stress relieved before plate removal", default=True)
    combustible: Flag = note("raises an extra caution on shop papers", default=False)
    default_parameter_set: Name | None = note("used by order lines that name none; left out: the first", default=None)
    parameter_sets: list[ParameterSetRecord] = note("ways to melt it", min_length=1)


class ChangeoverRecord(Record):
    """How long a change of alloy takes. The first rule that matches counts."""

    leaving: Annotated[str, Text(most=40)] = note("alloy id, family or '*'")
    entering: Annotated[str, Text(most=40)] = note("alloy id, family or '*'")
    hours: Annotated[float, Real(least=0, most=1000)] | None = note("staffed hours; null: the change is never made")
    consumables: Cents = note("filters, wipes, lost powder; currency a change", default=0)
