"""A build's plate with every piece resolved: which outline stands where."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from router.domain.machines import Plate
from router.domain.network import Scenario
from router.domain.plan import Build, PlacedPiece
from router.geometry.facts import Orientation, Piece, Ring
from router.kernel.faults import Fault, FaultyInput
from router.nesting.shape import turned

COUPON = "coupon"


@dataclass(frozen=True, slots=True)
class LaidPiece:
    """A piece on the plate. ``orientation`` None is a witness coupon; ``mark`` names the piece in every file."""

    mark: str
    line_id: str | None
    model: str
    orientation: Orientation | None
    placed: PlacedPiece
    outline: tuple[Piece, ...]
    """Footprint in its own coordinates: (outer ring, hole rings) of each separate part, mm."""

    def on_plate(self) -> tuple[Piece, ...]:
        """The footprint turned and shifted: plate coordinates, mm."""
        return tuple((self._moved(outer), tuple(self._moved(hole) for hole in holes)) for outer, holes in self.outline)

    def _moved(self, ring: Ring) -> Ring:
        points = turned(np.array(ring, dtype=np.float64), self.placed.angle_deg)
        points += (self.placed.x_mm, self.placed.y_mm)
        return tuple((x, y) for x, y in points.tolist())


@dataclass(frozen=True, slots=True)
class PlateLayout:
    """A build's plate. Origin at the lower left of the plate's bounding box, blade along x."""

    build_id: str
    machine_id: str
    machine_model: str
    alloy: str
    plate: Plate
    height_mm: float
    coupon_side_mm: float
    coupon_height_mm: float
    invented: bool
    pieces: tuple[LaidPiece, ...]


def lay_out(scenario: Scenario, build: Build, file: str = "plan.json") -> PlateLayout:
    """The plate of a build.

    Raises FaultyInput, all faults at once, when the plan names a machine, line or orientation the scenario lacks;
    ``file`` is the plan file named in them.
    """
    network = scenario.network
    where = f"build {build.build_id}"
    faults: list[Fault] = []
    machine = network.machine.get(build.machine_id)
    settings = network.parameter_set.get(build.parameter_set_id)
    if machine is None:
        faults.append(Fault(file, where, "machine_id", f"'{build.machine_id}'", "a machine of the scenario"))
    if settings is None:
        found = f"'{build.parameter_set_id}'"
        faults.append(Fault(file, where, "parameter_set_id", found, "a parameter set of the scenario"))
    counts: dict[str, int] = {}
    laid: list[LaidPiece] = []
    for number, piece in enumerate(build.pieces):
        name = piece.line_id if piece.line_id is not None else COUPON
        counts[name] = counts.get(name, 0) + 1
        mark = f"{name}/{counts[name]}"
        if piece.line_id is None:
            side = network.coupon.side_mm
            square = ((0.0, 0.0), (side, 0.0), (side, side), (0.0, side))
            laid.append(LaidPiece(mark, None, COUPON, None, piece, ((square, ()),)))
            continue
        line = scenario.line.get(piece.line_id)
        facts = scenario.parts.get(line.model) if line else None
        stance = next((o for o in facts.orientations if o.key == piece.orientation), None) if facts else None
        at = f"{where} pieces[{number}]"
        if line is None or facts is None:
            faults.append(Fault(file, at, "line_id", f"'{piece.line_id}'", "a line of the scenario"))
        elif stance is None:
            keys = ", ".join(o.key for o in facts.orientations)
            faults.append(Fault(file, at, "orientation", f"'{piece.orientation}'", f"one of {keys} of {line.model}"))
        else:
            laid.append(LaidPiece(mark, piece.line_id, line.model, stance, piece, stance.footprint.polygons))
    if faults or machine is None or settings is None:
        raise FaultyInput(faults)
    return PlateLayout(
        build_id=build.build_id,
        machine_id=machine.machine_id,
        machine_model=machine.model,
        alloy=network.alloy[settings.alloy_id].name,
        plate=machine.plate,
        height_mm=build.height_mm,
        coupon_side_mm=network.coupon.side_mm,
        coupon_height_mm=network.coupon.height_mm,
        invented=network.invented,
        pieces=tuple(laid),
    )
