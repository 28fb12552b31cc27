"""Reads a scenario folder: network, order book and measured part models. See FORMAT.md."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from pathlib import Path

from router.domain.network import Scenario
from router.formats.line_remarks import line_remarks
from router.formats.model_order import MODEL_ENDINGS
from router.formats.network_file import NETWORK_FILE, NetworkReading, inspect_network
from router.formats.order_book import OrderReading, inspect_orders
from router.formats.part_remarks import part_remarks
from router.formats.unused_models import unused_model_remarks
from router.geometry import MeshError, PartFacts, measure, unusable
from router.kernel.faults import Fault, FaultyInput

ORDER_FILES = ("orders.csv", "orders.xlsx")
MODEL_FOLDER = "models"
STANDARD_OVERHANG_DEG = 45.0
"""Used to look for faults in the models when the network, which states the angle, has faults itself."""

ProgressCall = Callable[[str, int, int], None]
"""Called before each model is measured: its name, how many are done, how many there are."""


def read_scenario(folder: Path, cache_dir: Path | None = None, progress: ProgressCall | None = None) -> Scenario:
    """The scenario of a folder. Raises FaultyInput with every fault; nothing in the folder is written.

    ``cache_dir`` remembers measured models from one run to the next.
    """
    scenario, faults, _ = _inspect(folder, cache_dir, progress)
    if scenario is None:
        raise FaultyInput(faults)
    return scenario


def check_scenario(
    folder: Path, cache_dir: Path | None = None, progress: ProgressCall | None = None
) -> tuple[Fault, ...]:
    """Every fault of a folder; empty when it can be planned."""
    return _inspect(folder, cache_dir, progress)[1]


def look_at_scenario(folder: Path, cache_dir: Path | None = None) -> tuple[tuple[Fault, ...], tuple[str, ...]]:
    """Every fault of a folder, and remarks on models and lines that can be planned but deserve a look."""
    return _inspect(folder, cache_dir, None, unused_too=True)[1:]


def _inspect(
    folder: Path, cache_dir: Path | None, progress: ProgressCall | None, unused_too: bool = False
) -> tuple[Scenario | None, tuple[Fault, ...], tuple[str, ...]]:
    if not folder.is_dir():
        seen = "a file" if folder.exists() else "no such folder"
        return None, (Fault(str(folder), "", "", seen, "a scenario folder"),), ()
    faults: list[Fault] = []
    contents: dict[str, bytes] = {}
    raw_network = _read(folder, NETWORK_FILE, faults, contents)
    network = inspect_network(raw_network) if raw_network is not None else NetworkReading(None, 0, {}, None, ())
    faults += network.faults
    orders = _orders(folder, network, faults, contents)
    faults += orders.faults
    parts = _measure(folder, network, orders.units, cache_dir, progress, faults, contents)
    refused = {f.file for f in faults}
    remarks = part_remarks({n: p for n, p in parts.items() if f"{MODEL_FOLDER}/{n}" not in refused}, network.network)
    if network.network is not None:
        remarks += line_remarks(orders.lines, network.network)
    if unused_too:
        remarks += unused_model_remarks(folder / MODEL_FOLDER, orders.units, _overhang_deg(network), cache_dir)
    if faults or network.network is None:
        return None, tuple(faults), remarks
    return Scenario(network.network, orders.lines, parts, fingerprint(contents)), (), remarks


def _read(folder: Path, name: str, faults: list[Fault], contents: dict[str, bytes]) -> bytes | None:
    try:
        contents[name] = (folder / name).read_bytes()
    except OSError as wrong:
        faults.append(Fault(name, "", "", f"no readable file ({wrong.strerror or wrong})", f"a file {name}"))
        return None
    return contents[name]


def _orders(folder: Path, network: NetworkReading, faults: list[Fault], contents: dict[str, bytes]) -> OrderReading:
    present = [name for name in ORDER_FILES if (folder / name).exists()]
    if len(present) != 1:
        seen = "both files" if present else "no file"
        faults.append(Fault(" or ".join(ORDER_FILES), "", "", seen, "exactly one of the two"))
        return OrderReading((), {}, ())
    raw = _read(folder, present[0], faults, contents)
    return (
        inspect_orders(raw, present[0], network, model_files(folder), _links(folder))
        if raw is not None
        else OrderReading((), {}, ())
    )


def model_files(folder: Path) -> list[str]:
    """Names of the model files of a scenario folder; links that lead out of it do not count."""
    models = folder / MODEL_FOLDER
    if not models.is_dir():
        return []
    inside = models.resolve()
    return sorted(
        p.name
        for p in models.iterdir()
        if p.is_file() and p.suffix.lower() in MODEL_ENDINGS and p.resolve().parent == inside
    )


def _links(folder: Path) -> list[str]:
    """Names in the folder of models that are links."""
    models = folder / MODEL_FOLDER
    return [p.name for p in models.iterdir() if p.is_symlink()] if models.is_dir() else []


def _overhang_deg(network: NetworkReading) -> float:
    return network.network.overhang_deg if network.network else STANDARD_OVERHANG_DEG


def _measure(
    folder: Path,
    network: NetworkReading,
    units: Mapping[str, str],
    cache_dir: Path | None,
    progress: ProgressCall | None,
    faults: list[Fault],
    contents: dict[str, bytes],
) -> dict[str, PartFacts]:
    overhang_deg = _overhang_deg(network)
    present = set(model_files(folder))
    named = [name for name in units if name in present]
    parts: dict[str, PartFacts] = {}
    for done, name in enumerate(named):
        if progress is not None:
            progress(name, done, len(named))
        path, label = folder / MODEL_FOLDER / name, f"{MODEL_FOLDER}/{name}"
        try:
            contents[label] = path.read_bytes()
            part = parts[name] = measure(path, units[name], overhang_deg, cache_dir)
            bad = unusable(part)
            if bad is not None:
                faults.append(Fault(label, "", "", bad.found, bad.expected))
        except MeshError as wrong:
            faults.append(Fault(label, "", "", wrong.found, wrong.expected))
        except OSError as wrong:
            faults.append(Fault(label, "", "", f"no readable file ({wrong.strerror or wrong})", "an STL or 3MF file"))
    if progress is not None and named:
        progress("", len(named), len(named))
    return parts


def fingerprint(contents: Mapping[str, bytes]) -> str:
    """SHA-256 over the names and bytes of the network, the order book and the models it names, in order of name."""
    digest = hashlib.sha256()
    for name in sorted(contents):
        encoded = name.encode()
        digest.update(len(encoded).to_bytes(4, "big") + encoded)
        digest.update(len(contents[name]).to_bytes(8, "big") + contents[name])
    return digest.hexdigest()
