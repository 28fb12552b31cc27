"""Checks of where pieces lie on a plate (RULES.md, section 3, Geometry and Recoater)."""

from __future__ import annotations

import shapely

from router.audit.book import Book, BuildEntry
from router.audit.figures import GEOMETRY_MM
from router.audit.finding import Notebook
from router.audit.outlines import Shape, keeps_recoater_rule, long_axes, overhang_mm, overlap, placed


def lay_out(book: Book, entry: BuildEntry) -> list[Shape]:
    """The outlines of all pieces where they lie."""
    return [
        placed(book.shape(body.shape_key), piece.x_mm, piece.y_mm, piece.angle_deg)
        for piece, body in zip(entry.build.pieces, entry.bodies, strict=True)
    ]


def check_plates(book: Book, notes: Notebook) -> None:
    """Every plate, piece by piece and pair by pair."""
    for entry in book.laid_anew:
        shapes = lay_out(book, entry)
        _check_inside(entry, shapes, notes)
        _check_keep_outs(entry, shapes, notes)
        _check_gaps(entry, shapes, notes)


def check_recoater(book: Book, notes: Notebook) -> None:
    """No long footprint along the blade; coupons are exempt."""
    net = book.net
    axes: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for entry in book.laid_anew:
        for number, (piece, body) in enumerate(zip(entry.build.pieces, entry.bodies, strict=True), start=1):
            if body.line_id is None:
                continue
            notes.look("recoater rule")
            if body.shape_key not in axes:
                axes[body.shape_key] = long_axes(book.shape(body.shape_key))
            if not keeps_recoater_rule(
                axes[body.shape_key], piece.angle_deg, net.recoater_long_ratio, net.recoater_min_off_deg
            ):
                ratio, axis = axes[body.shape_key][0]
                notes.add(
                    "along-the-recoater",
                    f"{entry.where}, piece {number}",
                    f"long axis ({ratio:.3g} times its width) at {(axis + piece.angle_deg) % 180:.3f} deg",
                    f"at least {net.recoater_min_off_deg:g} deg off the blade",
                )


def _check_inside(entry: BuildEntry, shapes: list[Shape], notes: Notebook) -> None:
    plate = entry.machine.plate
    for number, shape in enumerate(shapes, start=1):
        notes.look("pieces inside the plate")
        where = f"{entry.where}, piece {number}"
        beyond = overhang_mm(shape, plate, 0.0)
        into_margin = overhang_mm(shape, plate, plate.edge_margin_mm)
        if beyond > GEOMETRY_MM:
            notes.add("outside-plate", where, f"{beyond:.3f} mm beyond the edge", "inside the plate")
        elif into_margin > GEOMETRY_MM:
            notes.add(
                "in-edge-margin", where, f"{into_margin:.3f} mm into the margin", f"{plate.edge_margin_mm:g} mm clear"
            )


def _check_keep_outs(entry: BuildEntry, shapes: list[Shape], notes: Notebook) -> None:
    for number, shape in enumerate(shapes, start=1):
        for zone in entry.machine.plate.keep_outs:
            notes.look("keep-out zones")
            room = shape.distance(shapely.Point(zone.x_mm, zone.y_mm))
            if room < zone.radius_mm - GEOMETRY_MM:
                notes.add(
                    "in-keep-out",
                    f"{entry.where}, piece {number}",
                    f"{room:.3f} mm from the centre of the zone at ({zone.x_mm:g}, {zone.y_mm:g})",
                    f"at least {zone.radius_mm:g} mm",
                )


def _check_gaps(entry: BuildEntry, shapes: list[Shape], notes: Notebook) -> None:
    """All pairs: a plate holds tens of pieces, and a bounding-box tree leaves few pairs to measure."""
    spacing = entry.machine.plate.spacing_mm
    notes.look("pairs of pieces apart", len(shapes) * (len(shapes) - 1) // 2)
    tree = shapely.STRtree(shapes)
    near_by = tree.query(shapes, predicate="dwithin", distance=max(spacing, GEOMETRY_MM))
    for one, other in sorted((int(a), int(b)) for a, b in near_by.T if a < b):
        where = f"{entry.where}, pieces {one + 1} and {other + 1}"
        gap = float(shapes[one].distance(shapes[other]))
        if gap == 0.0 and overlap(shapes[one], shapes[other]):
            notes.add("pieces-overlap", where, "one reaches into the other", f"{spacing:g} mm apart")
        elif gap < spacing - GEOMETRY_MM:
            notes.add("pieces-too-close", where, f"{gap:.3f} mm apart", f"at least {spacing:g} mm")
