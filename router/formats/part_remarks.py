"""What deserves a look in part models that can be planned: no faults, but often a sign of a damaged file or unit."""

from __future__ import annotations

import math
from collections.abc import Mapping

from router.domain.machines import Machine
from router.domain.network import Network
from router.geometry import Orientation, PartFacts
from router.geometry.measuring import NOT_LOOKED

SMALL_MM = 0.5
"""A part smaller than this is rarely meant (common practice, no source)."""
_ORDINARY = ("separate bodies", "build items measured as one part", NOT_LOOKED)
"""Notes of measuring that tell of nothing wrong."""


def part_remarks(parts: Mapping[str, PartFacts], network: Network | None) -> tuple[str, ...]:
    """One sentence for each remark, by model; plates are looked at where a network is known."""
    return tuple(f"models/{name}: {said}" for name in sorted(parts) for said in _of_part(parts[name], network) if said)


def _of_part(facts: PartFacts, network: Network | None) -> list[str]:
    said = [n for n in facts.notes if not n.endswith(_ORDINARY)]
    size = " x ".join(f"{side:.0f}" if side >= 100 else f"{side:.3g}" for side in facts.bbox_mm)
    if max(facts.bbox_mm) < SMALL_MM:
        said.append(f"{size} mm is smaller than {SMALL_MM:g} mm; is the unit right?")
    if network is not None and network.machines and not any(_could_stand(facts, m) for m in network.machines):
        said.append(f"{size} mm is larger than every plate or machine of the network; is the unit right?")
    return said


def _could_stand(facts: PartFacts, machine: Machine) -> bool:
    return any(_stands(o, machine) for o in facts.orientations)


def _stands(orientation: Orientation, machine: Machine) -> bool:
    """By its box alone; turned on the plate as it likes."""
    short, long = sorted((orientation.footprint.width_mm, orientation.footprint.depth_mm))
    plate = machine.plate
    reach_mm = math.hypot(plate.width_mm, plate.depth_mm)
    narrow_mm = reach_mm if short < 0.5 * long else max(plate.width_mm, plate.depth_mm)
    return orientation.height_mm <= machine.height_mm and long <= reach_mm and short <= narrow_mm
