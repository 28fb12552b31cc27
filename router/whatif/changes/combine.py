"""What-if files read, composed and compared. A what-if may go on from another; the chain ends at the base."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from router.domain.network import Network
from router.domain.orders import OrderLine
from router.formats.validation import Places, structure_faults
from router.formats.wording import found, one_of
from router.formats.yaml_reader import Document, read_yaml
from router.formats.yaml_reader import Path as YamlPath
from router.kernel.faults import Fault, FaultyInput
from router.whatif.changes.effects import Misfit, apply, demand_factor
from router.whatif.changes.records import KINDS, Change, Demand, InvestmentRecord, WhatIfRecord
from router.whatif.rolling.streams import MOST_DEMAND

_DEEPEST = 8
"""What-ifs on what-ifs; more is hard to follow for anybody."""


@dataclass(frozen=True)
class WhatIf:
    """A named what-if with all its changes, those of the what-ifs it goes on from first."""

    name: str
    changes: tuple[Change, ...]
    own: int
    """How many of the changes are this file's own."""
    discount_rate_per_year: float
    life_years: float
    invented: bool
    fingerprint: str
    """SHA-256 over the text of the files of the chain."""

    def network(self, base: Network) -> Network:
        """The base with all changes made. Raises Misfit at the first that does not fit (``check`` names all)."""
        for change in self.changes:
            base = apply(change, base)
        return base

    def check(self, base: Network, file: str) -> list[Fault]:
        """Faults of all changes that do not fit the base, each tried on what the fitting ones before it left."""
        faults = []
        for number, change in enumerate(self.changes, start=1):
            try:
                base = apply(change, base)
            except Misfit as wrong:
                where = f"change {number} ({change.change})"
                faults.append(Fault(file, where, wrong.field, wrong.found, wrong.expected))
        return faults

    def demand(self, line: OrderLine, years: float, month: int) -> float:
        """By how much demand for such a line differs from its history; at most ``MOST_DEMAND``."""
        factor = 1.0
        for change in self.changes:
            if isinstance(change, Demand):
                factor *= demand_factor(change, line, years, month)
        return min(factor, MOST_DEMAND)

    @property
    def investments(self) -> tuple[InvestmentRecord, ...]:
        """What the changes cost to make and keep."""
        return tuple(c.investment for c in self.changes if c.investment is not None)

    def explained(self) -> tuple[str, ...]:
        """One sentence a change, with its reason."""
        return tuple(c.sentence() + (f" Reason: {c.why}." if c.why else "") for c in self.changes)


BASE = WhatIf("base", (), 0, 0.08, 7.0, False, "")
"""The scenario as it is."""


def read_what_if(path: Path) -> WhatIf:
    """A what-if file and those it goes on from. Raises FaultyInput with every fault of the file that has some."""

    def raw_of(name: str) -> bytes:
        file = path.parent / name
        try:
            return file.read_bytes()
        except OSError as unread:
            raise FaultyInput(
                [Fault(str(file), "", "", f"no readable file ({unread.strerror or unread})", "a what-if file")]
            ) from unread

    return _read(path.name, raw_of, ())


def read_texts(file: str, texts: Mapping[str, bytes]) -> WhatIf:
    """A what-if among the texts of files by name, with those it goes on from; faults as of ``read_what_if``."""

    def raw_of(name: str) -> bytes:
        if name not in texts:
            raise FaultyInput([Fault(file, "", "on", found(name), one_of(name, texts, "kept what-if"))])
        return texts[name]

    return _read(file, raw_of, ())


def goes_on_from(raw: bytes) -> str | None:
    """The file a what-if goes on from, as far as its text can be read."""
    data = read_yaml(raw, "").data
    name = data.get("on") if isinstance(data, dict) else None
    return name if isinstance(name, str) else None


def _read(name: str, raw_of: Callable[[str], bytes], open_files: tuple[str, ...]) -> WhatIf:
    if name in open_files:
        raise FaultyInput([Fault(name, "", "on", found(name), "a what-if that does not lead back to itself")])
    if len(open_files) >= _DEEPEST:
        raise FaultyInput([Fault(name, "", "on", f"more than {_DEEPEST} what-ifs in a row", "fewer")])
    raw = raw_of(name)
    document = read_yaml(raw, name)
    faults = list(document.faults)
    data = document.data
    if not isinstance(data, dict):
        raise FaultyInput(faults or [Fault(name, "", "", found(data), "a YAML mapping of fields")])
    record: WhatIfRecord | None = None
    try:
        record = WhatIfRecord.model_validate(data)
    except ValidationError as error:
        faults += structure_faults(WhatIfRecord, data, error, Places(name, document))
    changes = _changes(name, document, data.get("changes"), faults)
    if faults or record is None:
        raise FaultyInput(faults)
    before = BASE
    if record.on is not None:
        if Path(record.on).name != record.on:
            raise FaultyInput([Fault(name, "", "on", found(record.on), "the name of a file in the same folder")])
        before = _read(record.on, raw_of, (*open_files, name))
    return WhatIf(
        record.name,
        (*before.changes, *changes),
        len(changes),
        record.discount_rate_per_year,
        record.life_years,
        record.invented or before.invented,
        hashlib.sha256(before.fingerprint.encode() + raw).hexdigest(),
    )


class _Inside(Places):
    """Faults of one change, at their place in the whole file."""

    def __init__(self, file: str, document: Document, number: int) -> None:
        super().__init__(file, document)
        self._number = number

    def fault(self, path: YamlPath, found_text: str, expected: str) -> Fault:
        return super().fault(("changes", self._number, *path), found_text, expected)


def _changes(file: str, document: Document, raw: object, faults: list[Fault]) -> list[Change]:
    made = []
    for number, entry in enumerate(raw if isinstance(raw, list) else []):
        if not isinstance(entry, dict):
            continue  # said already
        places = _Inside(file, document, number)
        kind = entry.get("change")
        if not isinstance(kind, str) or kind not in KINDS:
            faults.append(places.fault(("change",), found(kind), one_of(str(kind), KINDS, "kind of change")))
            continue
        try:
            made.append(KINDS[kind].model_validate(entry))
        except ValidationError as error:
            faults += structure_faults(KINDS[kind], entry, error, places)
    return made


def difference(one: WhatIf, other: WhatIf) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Sentences of the changes only the one makes, and of those only the other makes; in their order."""
    ours = list(other.changes)
    left = []
    for change in one.changes:
        if change in ours:
            ours.remove(change)
        else:
            left.append(change.sentence())
    return tuple(left), tuple(c.sentence() for c in ours)
