"""A build's own figures, derived from what lies on its plate: height, layers, exposure, length, cost items."""

from __future__ import annotations

from dataclasses import dataclass

from router.audit.figures import whole_layers, whole_minutes
from router.audit.outlines import Shape, coupon_shape, footprint_shape, inner_area_mm2
from router.domain.alloys import Alloy, ParameterSet
from router.domain.machines import Machine
from router.domain.network import Network, Scenario
from router.domain.plan import PlacedPiece
from router.domain.sites import Site


@dataclass(frozen=True, slots=True)
class Body:
    """One thing standing on a plate: a piece of a line, or a coupon (``line_id`` None)."""

    line_id: str | None
    area_mm2: float
    height_mm: float
    melted_cm3: float
    shape_key: tuple[str, str]
    """Model and orientation; ("", "coupon") for a coupon."""


@dataclass(frozen=True, slots=True)
class Melt:
    """The figures of RULES.md sections 3 and 4 for one build; cost items are exact amounts of cents."""

    height_mm: float
    layers: int
    melted_kg: float
    exposure_s: float
    run_min: int
    fill: float
    items: tuple[tuple[str, float], ...]
    """Exact cents by field name of BuildCost."""
    kwh: float
    co2e_kg: float
    carbon_exact: float
    height_pool: float
    own: tuple[float, ...]
    """Exact cents of every body's own exposure and powder, in the order of the bodies."""


def body_of(scenario: Scenario, piece: PlacedPiece, params: ParameterSet) -> Body:
    """What a placed piece is; the caller has made sure that line, part and orientation exist."""
    if piece.line_id is None:
        coupon = scenario.network.coupon
        area = coupon.side_mm**2
        return Body(None, area, coupon.height_mm, area * coupon.height_mm / 1000, ("", "coupon"))
    model = scenario.line[piece.line_id].model
    facts = scenario.parts[model]
    orientation = next(o for o in facts.orientations if o.key == piece.orientation)
    melted_mm3 = facts.volume_mm3 + params.support_density * orientation.support_volume_mm3
    return Body(
        piece.line_id,
        orientation.footprint.area_mm2,
        orientation.height_mm,
        melted_mm3 / 1000,
        (model, orientation.key),
    )


def shape_of(scenario: Scenario, key: tuple[str, str]) -> Shape:
    """The outline behind a body's ``shape_key``, unturned at the origin."""
    model, orientation = key
    if not model:
        return coupon_shape(scenario.network.coupon)
    return footprint_shape(next(o for o in scenario.parts[model].orientations if o.key == orientation).footprint)


def derive_melt(
    net: Network, site: Site, machine: Machine, alloy: Alloy, params: ParameterSet, bodies: tuple[Body, ...]
) -> Melt:
    """All figures of one build, formula by formula as RULES.md sections 3 and 4 write them."""
    height_mm = max(b.height_mm for b in bodies)
    layers = whole_layers(height_mm, params.layer_mm)
    melted_cm3 = sum(b.melted_cm3 for b in bodies)
    rate_cm3_h = params.build_rate_cm3_h * machine.lasers * machine.laser_efficiency
    exposure_s = 3600 * melted_cm3 / rate_cm3_h
    run_s = 60 * machine.setup_min + layers * machine.recoat_s + exposure_s + 60 * machine.cooldown_min

    run_h = run_s / 3600
    att_h = (machine.load_min + machine.unload_min) / 60
    melted_kg = alloy.density_g_cm3 * melted_cm3 / 1000
    price = alloy.powder_cents_per_kg
    bed_mm3 = machine.plate.area_mm2 * layers * params.layer_mm
    bed_kg = bed_mm3 / 1e6 * alloy.density_g_cm3 * net.powder_packing
    kwh = machine.power_kw * run_h
    items = (
        ("machine_cents", machine.rate_cents_per_h * (run_h + att_h)),
        ("plate_cents", float(machine.plate_cents)),
        (
            "powder_cents",
            price * (melted_kg * (1 + alloy.powder_loss_fraction) + bed_kg * alloy.bed_loss_fraction),
        ),
        ("gas_cents", machine.purge_cents + machine.gas_cents_per_h * run_h),
        ("energy_cents", kwh * site.energy_cents_per_kwh),
        ("labour_cents", site.labour_cents_per_h * att_h),
    )
    hourly = machine.rate_cents_per_h + machine.gas_cents_per_h + machine.power_kw * site.energy_cents_per_kwh
    height_pool = layers * machine.recoat_s / 3600 * hourly + price * bed_kg * alloy.bed_loss_fraction
    own = tuple(
        b.melted_cm3 / rate_cm3_h * hourly
        + price * (alloy.density_g_cm3 * b.melted_cm3 / 1000) * (1 + alloy.powder_loss_fraction)
        for b in bodies
    )
    co2e_kg = kwh * site.grid_kg_co2e_per_kwh
    return Melt(
        height_mm=height_mm,
        layers=layers,
        melted_kg=melted_kg,
        exposure_s=exposure_s,
        run_min=whole_minutes(run_s / 60),
        fill=sum(b.area_mm2 for b in bodies) / inner_area_mm2(machine.plate),
        items=items,
        kwh=kwh,
        co2e_kg=co2e_kg,
        carbon_exact=co2e_kg * net.carbon_cents_per_kg,
        height_pool=height_pool,
        own=own,
    )
