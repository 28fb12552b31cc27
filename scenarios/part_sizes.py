"""How large the catalogue's parts are, so that order books can be made without measuring a single mesh.

``python -m scenarios.part_sizes --models scenarios/demo/models`` measures the models and writes ``part_sizes.csv``.
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from router.geometry import PartFacts, measure
from scenarios.catalogue import CATALOGUE

SIZES_FILE = "part_sizes.csv"
COLUMNS = ("file", "volume_mm3", "orientation", "height_mm", "width_mm", "depth_mm", "support_mm3")


@dataclass(frozen=True, slots=True)
class Stance:
    """One way to stand the part on a plate: height, box of its shadow, bulk support below it."""

    key: str
    height_mm: float
    width_mm: float
    depth_mm: float
    support_mm3: float


@dataclass(frozen=True, slots=True)
class PartSize:
    """Volume and the orientations the measuring found, the modelled one first."""

    volume_mm3: float
    stances: tuple[Stance, ...]

    def lowest(self) -> Stance:
        """The orientation a quick estimate uses."""
        return min(self.stances, key=lambda s: (s.height_mm, s.key))


@cache
def part_sizes() -> Mapping[str, PartSize]:
    """By file name of the model, as written down in ``part_sizes.csv``."""
    text = Path(__file__).with_name(SIZES_FILE).read_text(encoding="utf-8")
    volumes: dict[str, float] = {}
    stances: dict[str, list[Stance]] = {}
    for row in csv.DictReader(text.splitlines()):
        volumes[row["file"]] = float(row["volume_mm3"])
        stances.setdefault(row["file"], []).append(
            Stance(
                row["orientation"],
                float(row["height_mm"]),
                float(row["width_mm"]),
                float(row["depth_mm"]),
                float(row["support_mm3"]),
            )
        )
    return {file: PartSize(volume, tuple(stances[file])) for file, volume in volumes.items()}


def size_of(facts: PartFacts) -> PartSize:
    """The size of a measured part."""
    return PartSize(
        facts.volume_mm3,
        tuple(
            Stance(o.key, o.height_mm, o.footprint.width_mm, o.footprint.depth_mm, o.support_volume_mm3)
            for o in facts.orientations
        ),
    )


def write_sizes(models: Path, out: Path) -> int:
    """Measure every model of the catalogue in the folder and write the table; returns the number of parts."""
    with out.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(COLUMNS)
        for entry in CATALOGUE:
            size = size_of(measure(models / entry.file))
            for s in size.stances:
                figures = (s.height_mm, s.width_mm, s.depth_mm)
                writer.writerow(
                    (
                        entry.file,
                        f"{size.volume_mm3:.1f}",
                        s.key,
                        *(f"{x:.2f}" for x in figures),
                        f"{s.support_mm3:.1f}",
                    )
                )
    return len(CATALOGUE)


def main(arguments: list[str] | None = None) -> int:
    """Command line of the module."""
    parser = argparse.ArgumentParser(prog="python -m scenarios.part_sizes", description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--models", type=Path, required=True, help="folder of the part models")
    parser.add_argument("--out", type=Path, default=Path(__file__).with_name(SIZES_FILE), help="table to write")
    options = parser.parse_args(arguments)
    print(f"{write_sizes(options.models, options.out)} parts in {options.out}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
