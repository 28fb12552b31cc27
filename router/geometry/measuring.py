"""Measuring a mesh file into part facts, remembered by content."""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
from pathlib import Path

import numpy as np
import trimesh

from router.geometry.choose import FINALISTS, FINALISTS_FINE_MESH, pick_finalists, thin_out
from router.geometry.crossing import count_crossings
from router.geometry.facts import Matrix, Orientation, PartFacts, facts_from_json, facts_to_json
from router.geometry.pose import set_down
from router.geometry.read import load_bytes, parse_mesh
from router.geometry.shadow import footprint
from router.geometry.stance import Stance, candidate_stances, estimate_stances, outer_points, rotation_for
from router.geometry.support import measure_overhang
from router.geometry.surface import Floats, Surface, build_surface, count_shells, facet_volumes, shell_labels
from router.kernel.private_files import make_folder

MEASURING_VERSION = 2
"""Raise whenever a measured figure or a note would change, so that remembered facts are measured anew."""

NOT_LOOKED = "too many to look whether the surface cuts through itself"
"""Ends the note of a mesh that was not searched for it."""
_FINE_MESH = 150_000
_OVERLAP = 0.02
_REPAIRED_UP_TO = 200_000


def measure(path: Path, unit: str = "mm", overhang_deg: float = 45.0, cache_dir: Path | None = None) -> PartFacts:
    """Measure a mesh file; with `cache_dir` a file of the same content is measured only once.

    Parameters
    ----------
    path, unit : see `read_mesh`
    overhang_deg : facets flatter than this angle from the horizontal need support, 0 to 90 (45: common practice)
    cache_dir : folder for one JSON file per content hash; made if missing. A damaged entry is measured again

    Raises
    ------
    MeshError : see `read_mesh`
    ValueError : the overhang angle is not between 0 and 90
    """
    _check_angle(overhang_deg)
    data = load_bytes(path)
    digest = hashlib.sha256(data)
    digest.update(f"|{unit}|{float(overhang_deg)!r}|{MEASURING_VERSION}".encode())
    content_hash = digest.hexdigest()
    entry = cache_dir / f"{content_hash}.json" if cache_dir is not None else None
    if entry is not None:
        remembered = _recall(entry, content_hash)
        if remembered is not None:
            return remembered
    facts = measure_mesh(parse_mesh(path, data, unit), content_hash, overhang_deg)
    if entry is not None:
        _remember(entry, facts)
    return facts


def measure_mesh(mesh: trimesh.Trimesh, content_hash: str, overhang_deg: float = 45.0) -> PartFacts:
    """Measure a mesh in mm whose equal vertices are merged (as `read_mesh` returns it).

    The volume is the sum of signed tetrahedra, exact for a closed mesh. For others it is an estimate, which a
    note says.

    Raises
    ------
    ValueError : no facet, coordinates that are not finite, or an overhang angle outside 0 to 90
    """
    _check_angle(overhang_deg)
    notes: list[str] = []
    surface = sound_surface(mesh, notes)
    volume = float(facet_volumes(surface).sum())
    items = int(mesh.metadata.get("items", 1))
    if items > 1:
        notes.append(f"{items} build items measured as one part")
    if surface.closed:
        shells = count_shells(surface)
        bodies, hollows = shells.body_count, shells.closed_hollows
        if bodies > 1:
            notes.append(f"{bodies} separate bodies")
        if hollows:
            notes.append(f"{hollows} closed hollow{'s' * (hollows > 1)} would trap powder")
        if shells.loose_negative:
            notes.append(f"{shells.loose_negative} inside-out shells outside any body: volume is an estimate")
    else:
        bodies, hollows = 1, 0
        notes.append("mesh is not closed: volume is an estimate, bodies and hollows are not counted")
    notes += _crossings(surface, bodies)
    orientations = _orientations(surface, overhang_deg)
    if surface.closed and bodies > 1:
        united = measure_overhang(set_down(surface, np.eye(3)), overhang_deg).solid_mm3
        if abs(volume) > united * (1.0 + _OVERLAP):
            notes.append(f"bodies overlap: their united volume is about {united:.0f} mm3")
    sides = surface.vertices.max(axis=0) - surface.vertices.min(axis=0)
    return PartFacts(
        content_hash=content_hash,
        closed=surface.closed,
        volume_mm3=abs(volume),
        area_mm2=0.5 * float(surface.length.sum()),
        bbox_mm=(float(sides[0]), float(sides[1]), float(sides[2])),
        triangles=len(surface.faces),
        body_count=bodies,
        closed_hollows=hollows,
        orientations=orientations,
        notes=tuple(notes),
    )


def _crossings(surface: Surface, bodies: int) -> list[str]:
    """What is said of a surface that cuts through itself; bodies that overlap are told of by their volume."""
    apart = shell_labels(surface)[1] if bodies > 1 else np.zeros(len(surface.faces), dtype=np.int64)
    found = count_crossings(surface, apart)
    if found is None:
        return [f"{len(surface.faces)} facets: {NOT_LOOKED}"]
    if not found:
        return []
    pairs = f"{found} pairs of facets" if found > 1 else "a pair of facets"
    return [f"the surface cuts through itself at {pairs}: volume and supports are an estimate"]


def _check_angle(overhang_deg: float) -> None:
    if not 0.0 <= overhang_deg <= 90.0:
        raise ValueError(f"overhang angle {overhang_deg}: expected 0 to 90 degrees from the horizontal")


def sound_surface(mesh: trimesh.Trimesh, notes: list[str]) -> Surface:
    """The mesh with its facets facing outwards where it can be told; what was mended is added to the notes.

    Raises
    ------
    ValueError : no facet, or coordinates that are not finite
    """
    surface = _prepare(mesh, notes)
    if surface.closed and float(facet_volumes(surface).sum()) < 0.0:
        notes.append("facets face inwards: turned round")
        return build_surface(surface.vertices, surface.faces[:, ::-1])
    return surface


def _prepare(mesh: trimesh.Trimesh, notes: list[str]) -> Surface:
    vertices = np.array(mesh.vertices, dtype=np.float64)
    faces = np.array(mesh.faces, dtype=np.int64).reshape(-1, 3)
    real = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    faces = faces[real]
    if not len(faces):
        raise ValueError("a mesh without triangles: expected at least one")
    if not np.isfinite(vertices[faces]).all():
        raise ValueError("a mesh with coordinates that are not finite")
    surface = build_surface(vertices, faces)
    if surface.two_sided and not surface.closed and len(faces) <= _REPAIRED_UP_TO:
        repaired = trimesh.Trimesh(vertices=vertices, faces=faces, process=False)
        trimesh.repair.fix_winding(repaired)  # type: ignore[no-untyped-call]
        again = build_surface(vertices, np.array(repaired.faces, dtype=np.int64))
        if again.closed:
            notes.append("facets disagreed on which side is outside: turned to agree")
            return again
    return surface


def _orientations(surface: Surface, overhang_deg: float) -> tuple[Orientation, ...]:
    outer = outer_points(surface.vertices)
    stances = candidate_stances(surface, outer)
    estimates = estimate_stances(surface, outer, stances, overhang_deg)
    most = FINALISTS_FINE_MESH if len(surface.faces) > _FINE_MESH else FINALISTS
    finalists = pick_finalists(stances, estimates, most)

    def exact(stance: Stance) -> Orientation:
        rotation = rotation_for(stance.up, outer)
        pose = set_down(surface, rotation)
        overhang = measure_overhang(pose, overhang_deg)
        return Orientation(
            key="",
            name=stance.name,
            matrix=_matrix(rotation),
            height_mm=float(pose.size[2]),
            footprint=footprint(pose),
            overhang_area_mm2=overhang.area_mm2,
            support_volume_mm3=overhang.support_mm3,
        )

    return thin_out(stances, finalists, exact)


def _matrix(rotation: Floats) -> Matrix:
    a, b, c, d, e, f, g, h, i = (float(entry) + 0.0 for entry in rotation.reshape(-1))
    return a, b, c, d, e, f, g, h, i


def _recall(entry: Path, content_hash: str) -> PartFacts | None:
    """Remembered facts, or None if there are none, or none that can be trusted."""
    try:
        facts = facts_from_json(entry.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return facts if facts.content_hash == content_hash else None


def _remember(entry: Path, facts: PartFacts) -> None:
    """Write beside and rename, so that a reader never meets half an entry; a full disk only costs the memory."""
    with contextlib.suppress(OSError):
        make_folder(entry.parent)
        handle, name = tempfile.mkstemp(prefix=f".{entry.stem[:16]}.", suffix=".part", dir=entry.parent)
        half = Path(name)
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as stream:
                stream.write(facts_to_json(facts))
            half.replace(entry)
        except BaseException:
            with contextlib.suppress(OSError):
                half.unlink()
            raise
