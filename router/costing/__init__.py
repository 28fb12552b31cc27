"""Costing: time, cost and fair shares of builds and of what follows them (RULES.md, sections 3 to 5).

- Loads: ``piece_load(network, machine, parameter_set, volume_mm3, support_volume_mm3, footprint_mm2, height_mm)`` and
  ``coupon_load(network, machine, parameter_set) -> PieceLoad``; ``layers(height_mm, layer_mm)``, ``melted_cm3``,
  ``melting_cm3_h(machine, parameter_set)``.
- Builds: ``BuildRates(network, machine, parameter_set)`` with ``exposure_s(melted_cm3)``, ``run_s``, ``run_min``,
  ``cost -> BuildCost``, ``total_cents``, ``with_carbon_cents``, ``kwh``, ``co2e_kg``, ``carbon_cents``, ``bed_kg`` of
  ``(n_layers, exposure_s[, melted_kg])``, ``figures(loads) -> BuildFigures``; unrounded ``hour_cents``,
  ``layer_cents``, ``start_cents``, ``own_cents(load)``. One-off: ``run_s``, ``run_min``, ``build_cost``,
  ``energy_kwh``, ``build_carbon``.
- Changeovers: ``changeover(network, leaving|None, entering, machine) -> ChangeoverTerms | None`` (None: never).
- Shares: ``fair_shares(rates, total_cents, members, coupon_lines)``, ``plate_step_shares(total_cents, members,
  coupon_lines)``, ``line_shares(...) -> LineShare``s; ``PlateMember(line_id|None, load, pieces)``;
  ``runway_shares(needs, weights=None)``.
- Steps: ``route(line, alloy)``, ``plate_route``, ``lot_route``; ``plate_steps(...)`` and ``lot_steps(...)`` give
  ``list[StepCost]``; ``missing_steps(network, site_id, steps, export_code)``, ``choose_outside``, ``outside_cents``,
  ``centre_cents``.
- Walks: ``PlateWalk(network, site_id, alloy, export_codes).walk(staffed, t, melted_kg) -> Passage`` and
  ``LotWalk(network, site_id, line, part_kg, support_cm3).walk(staffed, t, pieces) -> Passage`` with ``ready``,
  ``cost_cents``, ``outside``, ``steps``; for inner loops both have ``ready_and_cents(same) -> (Minute, cents)``;
  one-off ``pass_plate``, ``pass_lot``.
"""

from __future__ import annotations

from router.costing.build import BuildFigures, BuildRates, build_carbon, build_cost, energy_kwh, run_min, run_s
from router.costing.changeover import NO_CHANGEOVER, ChangeoverTerms, changeover, changeover_rule
from router.costing.loads import PieceLoad, coupon_load, layers, melted_cm3, melting_cm3_h, piece_load
from router.costing.passage import LotWalk, Passage, PlateWalk, StepPassage, pass_lot, pass_plate
from router.costing.shares import PlateMember, fair_shares, line_shares, plate_step_shares, runway_shares
from router.costing.steps import (
    StepCost,
    centre_cents,
    choose_outside,
    lot_minutes,
    lot_route,
    lot_steps,
    missing_steps,
    outside_cents,
    plate_route,
    plate_steps,
    route,
)

__all__ = [
    "NO_CHANGEOVER",
    "BuildFigures",
    "BuildRates",
    "ChangeoverTerms",
    "LotWalk",
    "Passage",
    "PieceLoad",
    "PlateMember",
    "PlateWalk",
    "StepCost",
    "StepPassage",
    "build_carbon",
    "build_cost",
    "centre_cents",
    "changeover",
    "changeover_rule",
    "choose_outside",
    "coupon_load",
    "energy_kwh",
    "fair_shares",
    "layers",
    "line_shares",
    "lot_minutes",
    "lot_route",
    "lot_steps",
    "melted_cm3",
    "melting_cm3_h",
    "missing_steps",
    "outside_cents",
    "pass_lot",
    "pass_plate",
    "piece_load",
    "plate_route",
    "plate_step_shares",
    "plate_steps",
    "route",
    "run_min",
    "run_s",
    "runway_shares",
]
