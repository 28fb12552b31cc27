"""A plate as DXF outlines (version AC1015, text, unit millimetre), for templates and for checking fixtures."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

from router.domain.machines import Plate
from router.formats.plate_layout import PlateLayout
from router.geometry.facts import Ring

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.layouts.layout import Modelspace

LAYERS = (("PLATE", 7), ("USABLE", 8), ("KEEP_OUT", 1), ("PARTS", 5), ("HOLES", 4), ("COUPONS", 3), ("MARKS", 8))
"""Layer names and colour numbers."""

_MILLIMETRE = 4
_MARK_MM = 2.5


def plate_dxf(layout: PlateLayout) -> bytes:
    """The drawing as a file's bytes: closed polylines in plate coordinates, circles for round rims and keep-outs."""
    # Loaded here: it takes as long as the rest of the program, and most commands draw nothing.
    import ezdxf

    options = ezdxf.options  # type: ignore[attr-defined]
    fixed = options.write_fixed_meta_data_for_testing
    # Otherwise the file carries the time of writing and random numbers, and equal plates give different bytes.
    options.write_fixed_meta_data_for_testing = True
    try:
        document = _drawing(layout)
        text = io.StringIO()
        document.write(text)
        encoded: bytes = document.encode(text.getvalue())
        return encoded
    finally:
        options.write_fixed_meta_data_for_testing = fixed


def _drawing(layout: PlateLayout) -> Drawing:
    from ezdxf.filemanagement import new

    document = new("R2000")
    document.header["$INSUNITS"] = _MILLIMETRE
    for name, colour in LAYERS:
        document.layers.add(name, color=colour)
    space = document.modelspace()
    _plate(space, layout.plate)
    for piece in layout.pieces:
        layer = "COUPONS" if piece.line_id is None else "PARTS"
        for outer, holes in piece.on_plate():
            _ring(space, outer, layer)
            for hole in holes:
                _ring(space, hole, "HOLES")
        corner = min(vertex for outer, _ in piece.on_plate() for vertex in outer)
        space.add_text(piece.mark, height=_MARK_MM, dxfattribs={"layer": "MARKS", "insert": corner})
    return document


def _plate(space: Modelspace, plate: Plate) -> None:
    w, d, m = plate.width_mm, plate.depth_mm, plate.edge_margin_mm
    if plate.round:
        space.add_circle((w / 2, d / 2), w / 2, dxfattribs={"layer": "PLATE"})
        space.add_circle((w / 2, d / 2), w / 2 - m, dxfattribs={"layer": "USABLE"})
    else:
        _ring(space, ((0, 0), (w, 0), (w, d), (0, d)), "PLATE")
        _ring(space, ((m, m), (w - m, m), (w - m, d - m), (m, d - m)), "USABLE")
    for zone in plate.keep_outs:
        space.add_circle((zone.x_mm, zone.y_mm), zone.radius_mm, dxfattribs={"layer": "KEEP_OUT"})


def _ring(space: Modelspace, ring: Ring, layer: str) -> None:
    space.add_lwpolyline(ring, close=True, dxfattribs={"layer": layer})
