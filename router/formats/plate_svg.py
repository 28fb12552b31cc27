"""A plate as an SVG drawing in true size: one unit is one millimetre, printed at 100 % it can be laid on the plate."""

from __future__ import annotations

import math
from html import escape

from shapely import Polygon
from shapely.ops import polylabel

from router.domain.machines import Plate
from router.formats.plate_layout import LaidPiece, PlateLayout
from router.geometry.facts import Ring

BORDER_MM = 6.0
FOOT_MM = 14.0
"""Room around the plate; the foot below holds the caption and a rule of 50 mm."""

_LETTER_MM = (1.2, 4.0)
"""Smallest and largest letters; a mark that would need smaller ones is left out (its element still carries it)."""

_STYLE = (
    "path,circle,rect{stroke-width:.2;stroke:#222;fill:none}.plate{stroke-width:.35;fill:#fff}"
    ".usable{stroke-dasharray:2 1.2;stroke:#777}.keepout{fill:#ddd}.piece{fill:#eef2f5}.coupon{fill:#d9d9d9}"
    "text{font-family:sans-serif;fill:#111}.blade{stroke-width:.8}"
)


def plate_svg(layout: PlateLayout) -> str:
    """The drawing. The plate's lower-left corner stands ``BORDER_MM`` right of the left edge, y runs upwards.

    Rings are written to a micrometre. Every piece is a group with ``data-mark``, ``data-line`` and ``data-model``.
    """
    plate = layout.plate
    width, height = plate.width_mm + 2 * BORDER_MM, plate.depth_mm + BORDER_MM + FOOT_MM
    floor = BORDER_MM + plate.depth_mm
    title = f"Plate of build {layout.build_id}"
    body = [
        f'<g transform="matrix(1 0 0 -1 {_mm(BORDER_MM)} {_mm(floor)})">',
        _plate(plate),
        *(_piece(piece) for piece in layout.pieces),
        "</g>",
        f'<g transform="translate({_mm(BORDER_MM)} {_mm(floor)})">',
        *(_mark(piece) for piece in layout.pieces),
        "</g>",
        _foot(layout, floor),
    ]
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_mm(width)}mm" height="{_mm(height)}mm" '
        f'viewBox="0 0 {_mm(width)} {_mm(height)}"><title>{escape(title)}</title><style>{_STYLE}</style>'
        + "".join(body)
        + "</svg>\n"
    )


def _mm(value: float) -> str:
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _plate(plate: Plate) -> str:
    w, d, m = plate.width_mm, plate.depth_mm, plate.edge_margin_mm
    if plate.round:
        at = f'cx="{_mm(w / 2)}" cy="{_mm(d / 2)}"'
        rim = f'<circle class="plate" {at} r="{_mm(w / 2)}"/><circle class="usable" {at} r="{_mm(w / 2 - m)}"/>'
    else:
        rim = (
            f'<rect class="plate" width="{_mm(w)}" height="{_mm(d)}"/>'
            f'<rect class="usable" x="{_mm(m)}" y="{_mm(m)}" width="{_mm(w - 2 * m)}" height="{_mm(d - 2 * m)}"/>'
        )
    zones = (
        f'<circle class="keepout" cx="{_mm(z.x_mm)}" cy="{_mm(z.y_mm)}" r="{_mm(z.radius_mm)}"/>'
        for z in plate.keep_outs
    )
    return rim + "".join(zones)


def _piece(piece: LaidPiece) -> str:
    rings = (ring for outer, holes in piece.on_plate() for ring in (outer, *holes))
    kind = "coupon" if piece.line_id is None else "piece"
    said = f'data-mark="{escape(piece.mark)}" data-model="{escape(piece.model)}"'
    if piece.line_id is not None:
        said += f' data-line="{escape(piece.line_id)}"'
    path = "".join(_ring(ring) for ring in rings)
    return f'<path class="{kind}" {said} fill-rule="evenodd" d="{path}"><title>{escape(piece.mark)}</title></path>'


def _ring(ring: Ring) -> str:
    return "M" + "L".join(f"{_mm(x)} {_mm(y)}" for x, y in ring) + "Z"


def _mark(piece: LaidPiece) -> str:
    """The mark in the widest room of the largest outline, if letters of a readable size fit."""
    outer, holes = max(piece.on_plate(), key=lambda p: float(Polygon(p[0]).area))
    shape = Polygon(outer, holes)
    if not shape.is_valid:
        return ""
    spot = polylabel(shape, max(0.25, math.sqrt(shape.area) / 100))
    room = float(spot.distance(shape.boundary))
    smallest, largest = _LETTER_MM
    # A letter is about 0.6 of its size wide; the text must lie inside the circle of that room.
    size = min(largest, 2 * room / math.hypot(1.0, 0.6 * len(piece.mark)))
    if size < smallest:
        return ""
    return (
        f'<text x="{_mm(spot.x)}" y="{_mm(-spot.y + 0.35 * size)}" font-size="{_mm(size)}" '
        f'text-anchor="middle">{escape(piece.mark)}</text>'
    )


def _foot(layout: PlateLayout, floor: float) -> str:
    plate = layout.plate
    coupons = sum(piece.line_id is None for piece in layout.pieces)
    shape = f"\u00f8 {_mm(plate.width_mm)}" if plate.round else f"{_mm(plate.width_mm)} \u00d7 {_mm(plate.depth_mm)}"
    words = [
        f"build {layout.build_id}",
        f"machine {layout.machine_id}",
        layout.alloy,
        f"{len(layout.pieces) - coupons} pieces",
        f"{coupons} coupons" if coupons else "",
        f"{shape} mm",
        f"height {_mm(layout.height_mm)} mm",
        "invented data" if layout.invented else "",
    ]
    x, y = BORDER_MM, floor + 4.5
    return (
        f'<path class="blade" d="M{_mm(x)} {_mm(BORDER_MM / 2)}h{_mm(plate.width_mm)}"/>'
        f'<text x="{_mm(x)}" y="{_mm(y)}" font-size="3">{escape(", ".join(w for w in words if w))}</text>'
        f'<path d="M{_mm(x)} {_mm(y + 3)}v2h50v-2"/>'
        f'<text x="{_mm(x + 52)}" y="{_mm(y + 5)}" font-size="2.6">50 mm; bar above the plate: recoater blade</text>'
    )
