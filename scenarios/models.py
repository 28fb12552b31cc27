"""Make the part models of the demo scenario: ``python -m scenarios.models --out DIR``.

Every model is a solid put together by script from invented dimensions, written as binary STL or 3MF as its
catalogue entry says, with equal bytes on every run. Two carry a deliberate defect: one lacks facets, one shuts a
hollow in.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

from manifold3d import Manifold

from scenarios.catalogue import CATALOGUE, CatalogueEntry
from scenarios.meshfile import FacetMesh, settled_mesh, stl_bytes, threemf_bytes, without_facets
from scenarios.solids import (
    exchangers,
    large,
    machinery,
    medical,
    pumps,
    spaceflight,
    tooling,
    turbines,
    valves,
)

MISSING_FACETS = 2
"""How many facets the one open model lacks."""

BUILDERS: dict[str, Callable[[], Manifold]] = {
    "pump-impeller-closed": pumps.pump_impeller_closed,
    "pump-impeller-open": pumps.pump_impeller_open,
    "inducer-three-blade": pumps.inducer_three_blade,
    "volute-tongue-insert": pumps.volute_tongue_insert,
    "valve-cage-windows": valves.valve_cage_windows,
    "valve-plug-contoured": valves.valve_plug_contoured,
    "valve-seat-ring": valves.valve_seat_ring,
    "trim-disc-tortuous": valves.trim_disc_tortuous,
    "handwheel-hollow": valves.handwheel_hollow,
    "pneumatic-valve-block": valves.pneumatic_valve_block,
    "turbine-blade-cooled": turbines.turbine_blade,
    "vane-segment-triple": turbines.vane_segment,
    "compressor-blisk": turbines.compressor_blisk,
    "radial-turbine-wheel": turbines.radial_turbine_wheel,
    "axial-swirler": turbines.axial_swirler,
    "fuel-nozzle-body": turbines.fuel_nozzle_body,
    "heat-shield-tile": turbines.heat_shield_tile,
    "honeycomb-seal-segment": turbines.honeycomb_seal_segment,
    "crown-coping-molar": medical.crown_coping_molar,
    "crown-coping-incisor": medical.crown_coping_incisor,
    "dental-bridge-three-unit": medical.dental_bridge_three,
    "implant-abutment-angled": medical.implant_abutment_angled,
    "partial-denture-framework": medical.denture_framework,
    "hip-cup": medical.hip_cup,
    "spinal-cage": medical.spinal_cage,
    "bone-plate-curved": medical.bone_plate_curved,
    "cranial-mesh-plate": medical.cranial_mesh_plate,
    "core-insert-conformal": tooling.core_insert_conformal,
    "cavity-insert-conformal": tooling.cavity_insert_conformal,
    "sprue-bushing-cooled": tooling.sprue_bushing_cooled,
    "gripper-finger-hollow": tooling.gripper_finger_hollow,
    "gyroid-exchanger-core": exchangers.gyroid_exchanger_core,
    "tube-bundle-exchanger": exchangers.tube_bundle_exchanger,
    "exchanger-header": exchangers.exchanger_header,
    "pin-fin-cold-plate": exchangers.pin_fin_cold_plate,
    "hydraulic-manifold-branched": exchangers.hydraulic_manifold_branched,
    "exhaust-collector-four": exchangers.exhaust_collector_four,
    "brake-lever-offset": machinery.brake_lever_offset,
    "damper-bracket-rail": machinery.damper_bracket_rail,
    "door-selector-fork": machinery.door_selector_fork,
    "gearbox-housing-half": large.gearbox_housing_half,
    "inspection-cover": machinery.inspection_cover,
    "spur-gear-webbed": machinery.spur_gear_webbed,
    "auger-screw": machinery.auger_screw,
    "drive-sprocket": machinery.drive_sprocket,
    "cutter-blade-curved": machinery.cutter_blade_curved,
    "filling-nozzle-six": machinery.filling_nozzle_six,
    "extrusion-die-pasta": tooling.extrusion_die_pasta,
    "conveyor-chain-link": machinery.conveyor_chain_link,
    "lifting-chain-links": machinery.lifting_chain_links,
    "satellite-bracket-branched": spaceflight.satellite_bracket_branched,
    "waveguide-bend-twist": spaceflight.waveguide_bend_twist,
    "corrugated-horn": spaceflight.corrugated_horn,
    "drone-arm-shell": spaceflight.drone_arm_shell,
    "thrust-chamber-cooled": spaceflight.thrust_chamber_cooled,
    "lattice-panel-hollow": spaceflight.lattice_panel_hollow,
    "sampling-lance-rod": large.sampling_lance_rod,
    "static-mixer-lance": large.static_mixer_lance,
    "pump-casing-cover": large.pump_casing_cover,
    "vaned-diffuser-ring": large.vaned_diffuser_ring,
}
"""Part key to the function that makes its solid."""


def detail_mm(solid: Manifold) -> float:
    """Detail a model may lose: 1/4000 of its longest edge, between 0.005 and 0.04 mm (below a laser spot)."""
    low_x, low_y, low_z, high_x, high_y, high_z = solid.bounding_box()
    return float(min(max(max(high_x - low_x, high_y - low_y, high_z - low_z) / 4000.0, 0.005), 0.04))


def mesh_of(entry: CatalogueEntry) -> FacetMesh:
    """The facets of one catalogue part. Raises ``KeyError`` for a part no function makes."""
    solid = BUILDERS[entry.part]()
    mesh = settled_mesh(solid, detail_mm(solid))
    return mesh if entry.closed else without_facets(mesh, MISSING_FACETS)


def model_bytes(entry: CatalogueEntry) -> bytes:
    """The model file of one catalogue part, format by its file suffix."""
    mesh = mesh_of(entry)
    return threemf_bytes(mesh, entry.title) if entry.file.endswith(".3mf") else stl_bytes(mesh, entry.title)


def write_models(out: Path, parts: frozenset[str] = frozenset()) -> int:
    """Write the models (all, or the named parts) into ``out``; returns the bytes written."""
    out.mkdir(parents=True, exist_ok=True)
    total = 0
    for entry in CATALOGUE:
        if not parts or entry.part in parts:
            content = model_bytes(entry)
            (out / entry.file).write_bytes(content)
            total += len(content)
    return total


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m scenarios.models", description="Make the demo part models.")
    parser.add_argument("--out", type=Path, required=True, help="folder to write the model files into")
    parser.add_argument("--part", action="append", default=[], help="only this part (repeatable)")
    chosen = parser.parse_args(arguments)
    unknown = sorted(set(chosen.part) - set(BUILDERS))
    if unknown:
        print(f"no such part: {', '.join(unknown)}; the parts are listed in scenarios/catalogue.py", file=sys.stderr)
        return 2
    total = write_models(chosen.out, frozenset(chosen.part))
    print(f"{len(chosen.part) or len(CATALOGUE)} models, {total / 1e6:.2f} MB in {chosen.out}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
