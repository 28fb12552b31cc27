"""A part drawn on the server: its facets in parallel projection, shaded by their slope, the hidden ones left out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from router.geometry import read_mesh
from router.service.book import get_line
from router.service.desk import Desk
from router.service.models import content_in, model_path
from router.service.records import Actor

Floats = npt.NDArray[np.float64]
_SIDE_PX = 300.0
_EDGE_PX = 10.0
_MOST_FACETS = 6_000
"""More facets are thinned by their size: small ones do not show."""
_VIEW = np.array([0.62, -0.62, 0.48])
_LIGHT = np.array([0.25, -0.75, 0.9])


@dataclass(frozen=True, slots=True)
class PartPicture:
    """The part of a line, and whether its line is under export control: then no browser is to keep it."""

    svg: str
    controlled: bool


def part_picture(desk: Desk, actor: Actor, line_id: str) -> PartPicture:
    """The part of a line, remembered by its content. Raises NotFound when line or model is not there for the actor."""
    get_line(desk, actor, line_id)  # said first where it is not there for them
    with desk.store.look() as work:
        line = work.lines.get(line_id)
        assert line is not None  # it was there a moment ago, and lines are never taken away
        sha256 = content_in(work, line.line_id, line.model)
    path, unit = model_path(desk, sha256, line.model), line.cells.get("unit", "mm")

    def make() -> Drawing:
        mesh = read_mesh(path, unit)
        return draw(np.asarray(mesh.triangles, dtype=np.float64))

    drawing: Drawing = desk.pictures.get((sha256, unit), make)
    now = get_line(desk, actor, line_id)  # what was read is of a line they may see still
    return PartPicture(drawing.called(line.model), bool(line.export_control or now.export_control))


@dataclass(frozen=True, slots=True)
class Drawing:
    """A part drawn, whatever it is called: lines of other names, seen by others, may be built of the same content."""

    width_px: float
    height_px: float
    body: str

    def called(self, name: str) -> str:
        """It as SVG text under a name."""
        safe = name.replace("&", "&amp;").replace("<", "&lt;")
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width_px:.0f} {self.height_px:.0f}" '
            f'role="img"><title>{safe}</title>{self.body}</svg>'
        )


def draw(facets: Floats) -> Drawing:
    """Facets (n, 3, 3) in mm: farthest first, so that nearer ones cover them."""
    view = _VIEW / np.linalg.norm(_VIEW)
    right = np.cross([0.0, 0.0, 1.0], view)
    right /= np.linalg.norm(right)
    up = np.cross(view, right)
    normals = np.cross(facets[:, 1] - facets[:, 0], facets[:, 2] - facets[:, 0])
    sizes = np.linalg.norm(normals, axis=1)
    facing = (normals @ view > 0) & (sizes > 0)
    facets, normals, sizes = facets[facing], normals[facing], sizes[facing]
    if len(facets) > _MOST_FACETS:
        kept = np.sort(np.argsort(-sizes, kind="stable")[:_MOST_FACETS])
        facets, normals, sizes = facets[kept], normals[kept], sizes[kept]
    x, y, depth = facets @ right, -(facets @ up), (facets @ view).mean(axis=1)
    low = (float(x.min()), float(y.min())) if x.size else (0.0, 0.0)
    span = max(float(np.ptp(x)) if x.size else 0.0, float(np.ptp(y)) if y.size else 0.0) or 1.0
    scale = (_SIDE_PX - 2 * _EDGE_PX) / span
    px_x, px_y = (x - low[0]) * scale + _EDGE_PX, (y - low[1]) * scale + _EDGE_PX
    light = _LIGHT / np.linalg.norm(_LIGHT)
    shade = np.clip(normals @ light / np.maximum(sizes, 1e-12), 0.0, 1.0)
    grey = (92 + 130 * shade).astype(int)
    body = []
    for i in np.argsort(depth, kind="stable"):
        points = " ".join(f"{px_x[i, k]:.1f},{px_y[i, k]:.1f}" for k in range(3))
        g = int(grey[i])
        colour = f"#{g:02x}{min(255, g + 6):02x}{min(255, g + 14):02x}"
        body.append(f'<polygon points="{points}" fill="{colour}" stroke="{colour}" stroke-width=".6"/>')
    width = float(np.ptp(px_x)) + 2 * _EDGE_PX if px_x.size else _SIDE_PX
    height = float(np.ptp(px_y)) + 2 * _EDGE_PX if px_y.size else _SIDE_PX
    return Drawing(width, height, "".join(body))
