"""Files of the finished plates of a plan: true-size picture, outlines, and the plate for build preparation."""

from __future__ import annotations

import re
import shutil
import tempfile
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from router.domain.network import Scenario
from router.formats import read_plan, read_scenario
from router.formats.plate_3mf import ENDING, SurfaceOf, plate_3mf
from router.formats.plate_dxf import plate_dxf
from router.formats.plate_layout import PlateLayout, lay_out
from router.formats.plate_svg import plate_svg
from router.formats.result_folder import refuse_unwritable
from router.formats.scenario_folder import MODEL_FOLDER
from router.geometry import read_mesh
from router.geometry.measuring import sound_surface
from router.geometry.surface import Surface
from router.kernel.faults import Fault, FaultyInput
from router.service.same_scenario import other_scenario

_FILE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}")
_PLATE_ENDINGS = (".svg", ".dxf", ENDING)
_SURFACES_KEPT = 16
"""Surfaces remembered while plates are written; a plate rarely carries more part models."""


@dataclass(frozen=True, slots=True)
class PlateFiles:
    """What was written for one build."""

    build_id: str
    pieces: int
    svg: Path
    dxf: Path
    threemf: Path


def write_plate_files(
    result_folder: Path, scenario_folder: Path, out: Path, cache_dir: Path | None = None
) -> tuple[PlateFiles, ...]:
    """Write ``<build>.svg``, ``<build>.dxf`` and ``<build>.build.3mf`` of every build of a result into ``out``.

    All files are made before the first one is put in place. ``out`` is new, empty, or holds plate files only, which are
    replaced whole: a plate of an older plan must not stay beside the new ones. Raises FaultyInput when it holds other
    things, the scenario is not the one the plan was made from, either cannot be read, or a build's name is no file
    name; then nothing is written.
    """
    refuse_unwritable(out.absolute().parent, str(out))
    plan = read_plan(result_folder)
    scenario = read_scenario(scenario_folder, cache_dir)
    faults = [
        Fault("plan.json", f"builds[{n}]", "build_id", f"'{b.build_id}'", "a name of letters, digits, . _ -")
        for n, b in enumerate(plan.builds)
        if not _FILE_NAME.fullmatch(b.build_id)
    ]
    faults += other_scenario(plan, scenario, result_folder)
    if out.exists() and not out.is_dir():
        faults.append(Fault(str(out), "", "", "something that is not a folder", "a folder or a new name"))
    elif out.is_dir():
        strange = _strange({p.name for p in out.iterdir()})
        if strange:
            seen = f"a folder of other things: {', '.join(strange[:5])}"
            faults.append(Fault(str(out), "", "", seen, "a new name, an empty folder or one of plate files only"))
    if faults:
        raise FaultyInput(faults)
    layouts = [lay_out(scenario, build) for build in plan.builds]
    surface_of = _surfaces(scenario_folder, scenario)
    out.parent.mkdir(parents=True, exist_ok=True)
    fresh = Path(tempfile.mkdtemp(prefix=f".{out.name}.", suffix=".part", dir=out.parent))
    try:
        written = [_write(fresh, layout, surface_of) for layout in layouts]
        out.mkdir(exist_ok=True)
        for old in out.iterdir():
            old.unlink()
        return tuple(_moved(files, out) for files in written)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)


def _strange(names: set[str]) -> list[str]:
    """Names that are not of plate files: these come as three of one build."""
    stems = {name.removesuffix(ending) for name in names for ending in _PLATE_ENDINGS if name.endswith(ending)}
    ours = {
        stem + ending for stem in stems for ending in _PLATE_ENDINGS if all(stem + e in names for e in _PLATE_ENDINGS)
    }
    return sorted(names - ours)


def _write(folder: Path, layout: PlateLayout, surface_of: SurfaceOf) -> PlateFiles:
    name = layout.build_id
    files = PlateFiles(
        name, len(layout.pieces), folder / f"{name}.svg", folder / f"{name}.dxf", folder / f"{name}{ENDING}"
    )
    files.svg.write_text(plate_svg(layout), encoding="utf-8")
    files.dxf.write_bytes(plate_dxf(layout))
    files.threemf.write_bytes(plate_3mf(layout, surface_of))
    return files


def _moved(files: PlateFiles, out: Path) -> PlateFiles:
    paths = [out / path.name for path in (files.svg, files.dxf, files.threemf)]
    for old, new in zip((files.svg, files.dxf, files.threemf), paths, strict=True):
        old.replace(new)
    return PlateFiles(files.build_id, files.pieces, *paths)


def _surfaces(folder: Path, scenario: Scenario) -> SurfaceOf:
    units = {line.model: line.unit for line in scenario.lines}

    @lru_cache(maxsize=_SURFACES_KEPT)
    def surface_of(model: str) -> Surface:
        return sound_surface(read_mesh(folder / MODEL_FOLDER / model, units[model]), [])

    return surface_of
