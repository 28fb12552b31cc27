"""Makes the part models of the small scenario: simple solids of a few hundred facets, the same bytes on every run.

Run ``python -m scenarios.small_models``.
"""

from __future__ import annotations

from pathlib import Path

from manifold3d import CrossSection, Manifold

from scenarios.meshfile import settled_mesh, stl_bytes, threemf_bytes

FOLDER = Path(__file__).parent / "small" / "models"
FACETS_ROUND = 32
DETAIL_MM = 0.01


def bracket() -> Manifold:
    """An angle bracket with two bolt holes and a gusset, 60 x 40 x 45 mm."""
    base = Manifold.cube((60, 40, 6))
    wall = Manifold.cube((6, 40, 45))
    gusset = CrossSection([[(5.0, 5.0), (36.0, 5.0), (5.0, 36.0)]]).extrude(6).rotate((90, 0, 0)).translate((0, 23, 0))
    bolt = Manifold.cylinder(10, 4.2, circular_segments=FACETS_ROUND)
    return base + wall + gusset - bolt.translate((46, 9, -2)) - bolt.translate((46, 31, -2))


def ring() -> Manifold:
    """A flanged ring, 50 mm across and 18 mm high."""
    outer = Manifold.cylinder(4, 25, circular_segments=2 * FACETS_ROUND)
    hub = Manifold.cylinder(18, 19, circular_segments=2 * FACETS_ROUND)
    return outer + hub - Manifold.cylinder(30, 14.5, circular_segments=2 * FACETS_ROUND).translate((0, 0, -5))


def nozzle() -> Manifold:
    """A hollow nozzle that narrows and widens again, 70 mm high."""
    outline = [(8.0, 0.0), (20.0, 0.0), (20.0, 6.0), (12.0, 30.0), (24.0, 70.0), (22.0, 70.0), (9.0, 30.0)]
    return CrossSection([outline]).revolve(circular_segments=FACETS_ROUND)


def cap() -> Manifold:
    """A round cap, open below, 36 mm across."""
    shell = Manifold.cylinder(16, 18, 15, circular_segments=FACETS_ROUND)
    return shell - Manifold.cylinder(13, 15.5, 13, circular_segments=FACETS_ROUND).translate((0, 0, -1))


def clip() -> Manifold:
    """A spring clip, 40 x 12 x 25 mm."""
    outline = [(0.0, 0.0), (40.0, 0.0), (40.0, 25.0), (30.0, 25.0), (30.0, 22.0), (37.0, 22.0)]
    outline += [(37.0, 3.0), (3.0, 3.0), (3.0, 22.0), (10.0, 22.0), (10.0, 25.0), (0.0, 25.0)]
    return CrossSection([outline]).extrude(12).rotate((90, 0, 0))


def model_bytes() -> dict[str, bytes]:
    """Content of every model file by name."""
    solids = {"bracket": bracket(), "ring": ring(), "nozzle": nozzle(), "cap": cap(), "clip": clip()}
    meshes = {name: settled_mesh(solid, DETAIL_MM) for name, solid in solids.items()}
    files = {f"{name}.stl": stl_bytes(mesh, name) for name, mesh in meshes.items() if name != "clip"}
    return {**files, "clip.3mf": threemf_bytes(meshes["clip"], "clip")}


if __name__ == "__main__":
    FOLDER.mkdir(parents=True, exist_ok=True)
    for file_name, content in model_bytes().items():
        (FOLDER / file_name).write_bytes(content)
