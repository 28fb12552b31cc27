"""The small scenario, copied and broken by hand."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from router.formats import check_scenario
from router.kernel.faults import Fault

SMALL = Path(__file__).parents[3] / "scenarios" / "small"


def copy_small(folder: Path) -> Path:
    """A fresh copy of the small scenario."""
    target = folder / "small"
    shutil.copytree(SMALL, target)
    return target


@dataclass(frozen=True)
class Said:
    """What one fault must say: each text must occur in the fault's part of that name."""

    file: str
    where: str
    field: str
    found: str
    expected: str

    def by(self, fault: Fault) -> bool:
        return (
            fault.file == self.file
            and self.where in fault.where
            and fault.field == self.field
            and self.found in fault.found
            and self.expected in fault.expected
        )


@dataclass(frozen=True)
class Broken:
    """A hand-broken folder: texts replaced in its files, and every fault that must be told."""

    name: str
    says: Sequence[Said]
    network: Sequence[tuple[str, str]] = field(default=())
    orders: Sequence[tuple[str, str]] = field(default=())

    def apply(self, folder: Path) -> None:
        for file, changes in (("network.yaml", self.network), ("orders.csv", self.orders)):
            path = folder / file
            text = path.read_text(encoding="utf-8")
            for old, new in changes:
                assert text.count(old) == 1, f"{self.name}: {old!r} stands {text.count(old)} times in {file}"
                text = text.replace(old, new)
            path.write_text(text, encoding="utf-8")


def assert_told(case: Broken, tmp_path: Path, measured: Path) -> None:
    """The faults of the broken folder are those the case names, no fewer and no knock-on ones; no file was touched."""
    folder = copy_small(tmp_path)
    case.apply(folder)
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    faults = check_scenario(folder, measured)
    told = "\n".join(f.sentence() for f in faults)
    for said in case.says:
        assert any(said.by(f) for f in faults), f"{said} is not among:\n{told}"
    assert len(faults) == len(case.says), told
    assert {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()} == before
