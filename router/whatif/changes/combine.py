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
from router.kernel.faults import Fault, FaultyInput, told_once
from router.whatif.changes.effects import apply, demand_factor
from router.whatif.changes.misfits import Numbered, misfits
from router.whatif.changes.records import KINDS, AddSite, Change, Demand, InvestmentRecord, WhatIfRecord
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
        return misfits(list(enumerate(self.changes, start=1)), base, file)

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

    def site_names(self, base: Network | None) -> dict[str, str]:
        """Names of sites by id: of those the base has, if it is known, and of those that are added."""
        there = {site.site_id: site.name for site in base.sites} if base is not None else {}
        return there | {c.id: c.name or c.city for c in self.changes if isinstance(c, AddSite)}

    def explained(self, base: Network | None = None) -> tuple[str, ...]:
        """One sentence a change, with its reason; sites are named as in the base, if it is known."""
        names = self.site_names(base)
        return tuple(c.sentence(names) + (f" Reason: {c.why}." if c.why else "") for c in self.changes)


class PartlyRead(FaultyInput):
    """A file with faults, some of whose changes are sound: they can be looked at all the same."""

    def __init__(self, faults: list[Fault], changes: Numbered, made_elsewhere: set[str]) -> None:
        super().__init__(faults)
        self.changes = changes
        self.made_elsewhere = made_elsewhere
        """Names that changes with faults would make."""


BASE = WhatIf("base", (), 0, 0.08, 7.0, False, "")
"""The scenario as it is."""


def read_what_if(path: Path) -> WhatIf:
    """A what-if file and those it goes on from. Raises FaultyInput with every fault of them."""
    return _read(path.name, _beside(path), ())


def read_texts(file: str, texts: Mapping[str, bytes]) -> WhatIf:
    """A what-if among the texts of files by name, with those it goes on from; faults as of ``read_what_if``."""
    return _read(file, _among(file, texts), ())


def look_at_file(path: Path, network: Network | None) -> tuple[WhatIf | None, tuple[Fault, ...]]:
    """A what-if file, None if it cannot be read, and every fault: of the text and of what does not fit the network."""
    return _looked_at(path.name, _beside(path), network)


def look_at(file: str, texts: Mapping[str, bytes], network: Network | None) -> tuple[WhatIf | None, tuple[Fault, ...]]:
    """As ``look_at_file``, of the texts of files by name."""
    return _looked_at(file, _among(file, texts), network)


def _beside(path: Path) -> Callable[[str], bytes]:
    def raw_of(name: str) -> bytes:
        file = path.parent / name
        try:
            return file.read_bytes()
        except OSError as unread:
            raise FaultyInput(
                [Fault(str(file), "", "", f"no readable file ({unread.strerror or unread})", "a what-if file")]
            ) from unread

    return raw_of


def _among(file: str, texts: Mapping[str, bytes]) -> Callable[[str], bytes]:
    def raw_of(name: str) -> bytes:
        if name not in texts:
            raise FaultyInput([Fault(file, "", "on", found(name), one_of(name, texts, "kept what-if"))])
        return texts[name]

    return raw_of


def _looked_at(
    file: str, raw_of: Callable[[str], bytes], network: Network | None
) -> tuple[WhatIf | None, tuple[Fault, ...]]:
    try:
        what_if = _read(file, raw_of, ())
    except PartlyRead as wrong:
        rest = () if network is None else misfits(wrong.changes, network, file, wrong.made_elsewhere)
        return None, told_once((*wrong.faults, *rest))
    except FaultyInput as wrong:
        return None, wrong.faults
    return what_if, () if network is None else tuple(what_if.check(network, file))


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
    changes, made_elsewhere = _changes(name, document, data.get("changes"), faults)
    before: WhatIf | None = BASE
    on = data.get("on")
    if isinstance(on, str):
        try:
            before = _below(name, on, raw_of, (*open_files, name))
        except FaultyInput as wrong:
            faults, before = [*faults, *wrong.faults], None
    if faults or record is None or before is None:
        below = () if before is None else tuple(enumerate(before.changes, start=1))
        own = tuple((len(below) + number, change) for number, change in changes)
        raise PartlyRead(faults, () if before is None else (*below, *own), made_elsewhere)
    return WhatIf(
        record.name,
        (*before.changes, *(change for _, change in changes)),
        len(changes),
        record.discount_rate_per_year,
        record.life_years,
        record.invented or before.invented,
        hashlib.sha256(before.fingerprint.encode() + raw).hexdigest(),
    )


def _below(name: str, on: str, raw_of: Callable[[str], bytes], open_files: tuple[str, ...]) -> WhatIf:
    if Path(on).name != on:
        raise FaultyInput([Fault(name, "", "on", found(on), "the name of a file in the same folder")])
    return _read(on, raw_of, open_files)


class _Inside(Places):
    """Faults of one change, at their place in the whole file."""

    def __init__(self, file: str, document: Document, number: int) -> None:
        super().__init__(file, document)
        self._number = number

    def fault(self, path: YamlPath, found_text: str, expected: str) -> Fault:
        return super().fault(("changes", self._number, *path), found_text, expected)


def _changes(
    file: str, document: Document, raw: object, faults: list[Fault]
) -> tuple[list[tuple[int, Change]], set[str]]:
    """Sound changes with their numbers, and the names that the others would make."""
    made: list[tuple[int, Change]] = []
    names: set[str] = set()
    for number, entry in enumerate(raw if isinstance(raw, list) else []):
        if not isinstance(entry, dict):
            continue  # said already
        places = _Inside(file, document, number)
        kind = entry.get("change")
        try:
            if not isinstance(kind, str) or kind not in KINDS:
                faults.append(places.fault(("change",), found(kind), one_of(str(kind), KINDS, "kind of change")))
            else:
                made.append((number + 1, KINDS[kind].model_validate(entry)))
                continue
        except ValidationError as error:
            faults += structure_faults(KINDS[str(kind)], entry, error, places)
        machines = entry.get("machines")
        named = [entry, *(machines if isinstance(machines, list) else [])]
        names |= {str(x["id"]) for x in named if isinstance(x, dict) and "id" in x}
    return made, names


def difference(one: WhatIf, other: WhatIf, base: Network | None = None) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Sentences of the changes only the one makes, and of those only the other makes; in their order."""
    ours = list(other.changes)
    left = []
    for change in one.changes:
        if change in ours:
            ours.remove(change)
        else:
            left.append(change.sentence(one.site_names(base)))
    return tuple(left), tuple(c.sentence(other.site_names(base)) for c in ours)
