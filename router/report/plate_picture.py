"""A build's plate, to scale: true footprints in place, rim, keep-outs, coupons, the way of the recoater."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from router.domain.machines import Plate
from router.domain.plan import PlacedPiece
from router.report.footprints import Drawn, Room
from router.report.svg import esc, frame, px

SIDE_PX = 300.0
"""The longer side of every plate as drawn; the ticks on the rim, whose distance is told, tell the sizes apart."""
TWO_ROWS_PX = 230.0
"""Below a plate narrower than this the size stands under the scale, since beside it there is no room."""

_TOP, _LEFT, _RIGHT, _BOTTOM, _ROW = 12.0, 4.0, 26.0, 20.0, 13.0
_LEAST_WIDTH = 130.0
"""Room for the words below the narrowest plate."""
_LARGEST_LETTER_PX, _READABLE_PX, _LEAST_LETTER_PX = 12.0, 8.0, 5.5


@dataclass(frozen=True, slots=True)
class PlateLine:
    """How the pieces of one line are shown: outline, letter, colour number, name for the pointer."""

    drawn: Drawn | None
    letter: str
    key: int
    name: str


def plate_picture(
    name: str,
    title: str,
    described: str,
    plate: Plate,
    pieces: Sequence[PlacedPiece],
    lines: Mapping[tuple[str, str], PlateLine],
    coupon_side_mm: float,
) -> str:
    """The picture as SVG text.

    ``lines`` by (line id, orientation); ``name`` makes the element ids. Coordinates are those of the plan: origin at
    the lower left of the plate, y upwards, blade along x. Pieces not in ``lines`` are coupons or unknown.
    """
    scale = SIDE_PX / max(plate.width_mm, plate.depth_mm)
    width, depth = plate.width_mm * scale, plate.depth_mm * scale
    body = [
        _recoater(width, depth),
        f'<g transform="translate({px(_LEFT)} {px(_TOP + depth)}) scale({px(scale, 4)} -{px(scale, 4)})">',
        _bed(plate),
        _pieces(pieces, lines, coupon_side_mm),
        "</g>",
        _ticks(plate, scale, width, depth),
        '<g class="pl">',
        _letters(pieces, lines, scale, depth),
        "</g>",
    ]
    below = _BOTTOM + (_ROW if width < TWO_ROWS_PX else 0.0)
    whole = max(width + _LEFT + _RIGHT, _LEAST_WIDTH)
    return frame(name, whole, depth + _TOP + below, title, described, "".join(body))


def _bed(plate: Plate) -> str:
    w, d, m = plate.width_mm, plate.depth_mm, plate.edge_margin_mm
    if plate.round:
        shape = f'<circle class="bed" cx="{px(w / 2)}" cy="{px(d / 2)}" r="{px(w / 2)}"/>'
        shape += f'<circle class="rim" cx="{px(w / 2)}" cy="{px(d / 2)}" r="{px(w / 2 - m, 2)}"/>'
    else:
        shape = f'<rect class="bed" width="{px(w)}" height="{px(d)}" rx="2"/>'
        shape += (
            f'<rect class="rim" x="{px(m, 2)}" y="{px(m, 2)}" width="{px(w - 2 * m, 2)}" height="{px(d - 2 * m, 2)}"/>'
        )
    return shape + "".join(
        f'<circle class="keep" cx="{px(z.x_mm, 2)}" cy="{px(z.y_mm, 2)}" r="{px(z.radius_mm, 2)}"/>'
        for z in plate.keep_outs
    )


def _pieces(pieces: Sequence[PlacedPiece], lines: Mapping[tuple[str, str], PlateLine], coupon_side_mm: float) -> str:
    grouped: dict[tuple[str, str], list[str]] = {}
    coupons = []
    for piece in pieces:
        turn = f" rotate({px(piece.angle_deg, 2)})" if piece.angle_deg else ""
        at = f'transform="translate({px(piece.x_mm, 2)} {px(piece.y_mm, 2)}){turn}"'
        if piece.line_id is None:
            side = px(coupon_side_mm, 2)
            coupons.append(f'<rect class="coupon" width="{side}" height="{side}" {at}/>')
            continue
        how = lines.get((piece.line_id, piece.orientation))
        shape = f'<use href="#{how.drawn.element}" {at}/>' if how and how.drawn else f'<circle r="2" {at}/>'
        grouped.setdefault((piece.line_id, piece.orientation), []).append(shape)
    text = []
    for key, shapes in grouped.items():
        how = lines.get(key)
        shown = f'class="pc k{how.key}"' if how else 'class="pc"'
        text.append(f"<g {shown}><title>{esc(how.name if how else key[0])}</title>{''.join(shapes)}</g>")
    if coupons:
        text.append(f"<g><title>witness coupons</title>{''.join(coupons)}</g>")
    return "".join(text)


def _letters(
    pieces: Sequence[PlacedPiece], lines: Mapping[tuple[str, str], PlateLine], scale: float, depth_px: float
) -> str:
    """Letters upright, in the widest room of each piece, where a letter can be read."""
    text = []
    for piece in pieces:
        how = lines.get((piece.line_id, piece.orientation)) if piece.line_id is not None else None
        if how is None or how.drawn is None:
            continue
        place, size = _letter_place(how, scale)
        if size < _LEAST_LETTER_PX:
            continue
        c, s = math.cos(math.radians(piece.angle_deg)), math.sin(math.radians(piece.angle_deg))
        x = _LEFT + scale * (piece.x_mm + place.x_mm * c - place.y_mm * s)
        y = _TOP + depth_px - scale * (piece.y_mm + place.x_mm * s + place.y_mm * c)
        text.append(f'<text x="{px(x)}" y="{px(y + size * 0.36)}" font-size="{px(size)}">{esc(how.letter)}</text>')
    return "".join(text)


def _letter_place(how: PlateLine, scale: float) -> tuple[Room, float]:
    """Where the letter goes and its size in px: on the material if it can be read there, else across the holes."""
    assert how.drawn is not None

    def size(room: Room) -> float:
        return min(_LARGEST_LETTER_PX, 1.5 * room.radius_mm * scale / max(1.0, 0.8 * len(how.letter)))

    solid, whole = how.drawn.solid, how.drawn.whole
    return (solid, size(solid)) if size(solid) >= _READABLE_PX else (whole, size(whole))


def _recoater(width: float, depth: float) -> str:
    """The blade as a bar along x above the plate, and a two-headed arrow for its way along y."""
    x, top, bottom = _LEFT + width + 9, _TOP + 4, _TOP + depth - 4
    middle = (top + bottom) / 2
    return (
        f'<rect class="blade" x="{px(_LEFT)}" y="3" width="{px(width)}" height="4"/>'
        f'<path class="way" d="M{px(x)} {px(top)}V{px(bottom)}M{px(x - 3)} {px(top + 5)}l3-5 3 5'
        f'M{px(x - 3)} {px(bottom - 5)}l3 5 3-5"/>'
        f'<text class="note" transform="translate({px(x + 14)} {px(middle)}) rotate(-90)" text-anchor="middle">'
        "recoater</text>"
    )


def _tick_mm(plate: Plate) -> int:
    """Distance of the ticks, which is the length of the scale: at most a third of the longer side."""
    longest = max(plate.width_mm, plate.depth_mm)
    return next((step for step in (50, 20, 10) if 3 * step <= longest), 5)


def _ticks(plate: Plate, scale: float, width: float, depth: float) -> str:
    floor = _TOP + depth
    step = _tick_mm(plate)
    path = "".join(
        f"M{px(_LEFT + step * i * scale)} {px(floor)}v4" for i in range(1, int(plate.width_mm // step + 1))
    ) + "".join(f"M{px(_LEFT)} {px(floor - step * i * scale)}h-3" for i in range(1, int(plate.depth_mm // step + 1)))
    size = f"{px(plate.width_mm)} mm round" if plate.round else f"{px(plate.width_mm)} \u00d7 {px(plate.depth_mm)} mm"
    if width < TWO_ROWS_PX:
        told = f'<text class="note" x="{px(_LEFT)}" y="{px(floor + 13 + _ROW)}">{size}</text>'
    else:
        told = f'<text class="note" x="{px(_LEFT + width)}" y="{px(floor + 13)}" text-anchor="end">{size}</text>'
    return (
        f'<path class="way" d="M{px(_LEFT)} {px(floor + 5)}v4h{px(step * scale)}v-4"/>'
        f'<path class="tick" d="{path}"/>'
        f'<text class="note" x="{px(_LEFT + step * scale + 5)}" y="{px(floor + 13)}">{step} mm</text>' + told
    )
