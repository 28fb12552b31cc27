"""Whole networks in the planner's own format: landed cost beside today's habit, the bound, lateness, and the audit."""

from __future__ import annotations

import getpass
import hashlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import scenarios
from router.scheduling.solve import workers_for
from scenarios.book_file import book_text
from scenarios.network_maker import make_network, network_text
from scenarios.order_book import load_network, make_book
from tests.bench.plan_case import Ask, Found, PlanCase

GENERATED = "generated:"
SITES, MACHINES = 12, 60
#: Lines up to which the shorter of the two time limits holds, and the limits in seconds.
FEW_LINES, FEW_S, MANY_S = 1_000, 60.0, 120.0
PERIOD_LINES = 1_000
"""Lines of one period of 28 days: a larger book covers as many more periods, so that a week's load stays the same."""
_WARM_LINES = 40
_MODELS = Path(scenarios.__file__).parent / "demo" / "models"


def network_cases(named: str, seed: int, audit: bool = True) -> Iterator[PlanCase]:
    """The case of a scenario folder or of ``generated:LINES``. Raises ``ValueError`` for what is neither."""
    if named.startswith(GENERATED):
        text = named.removeprefix(GENERATED).replace(",", "").replace("_", "")
        if not text.isdigit() or not int(text):
            raise ValueError(f"{named}: expected generated:LINES with a whole number of lines above 0")
        folder = generated(int(text), seed)
        name = f"generated {int(text)} lines, seed {seed}"
    else:
        folder = Path(named)
        name = f"scenario {folder.resolve().name}"
    book = folder / "orders.csv"
    if not book.exists():
        raise ValueError(f"{named}: a scenario folder holds orders.csv, found none")
    lines = sum(1 for _ in book.open(encoding="utf-8")) - 1

    def ours(ask: Ask) -> Found:
        from tests.bench import network_ours

        return network_ours.ours(folder, cache_folder(), ask, audit)

    def cpsat(_: Ask) -> Found:
        return Found(None, status="too large: plates, calendars and carriers of a whole network")

    def warm_up() -> None:
        from tests.bench import network_ours

        network_ours.warm_up(generated(_WARM_LINES, 1), cache_folder())
        network_ours.measure_models(folder, cache_folder())

    yield PlanCase(
        name=name,
        family=f"network {name.split(',')[0]}",
        goal="cents",
        size=lines,
        best_known=None,
        bound=None,
        engines={"ours": ours, "cpsat": cpsat},
        auto_seconds=FEW_S if lines <= FEW_LINES else MANY_S,
        auto_workers=workers_for(len(load_network(folder / "network.yaml")[0].machines)),
        warm_up=warm_up,
    )


def generated(lines: int, seed: int) -> Path:
    """Folder of a network of twelve sites and sixty machines with so many lines; kept from one run to the next."""
    periods = max(1, round(lines / PERIOD_LINES))
    folder = cache_folder() / f"lines{lines}-periods{periods}-seed{seed}-{_makers()}"
    if folder.exists():
        return folder
    half = folder.with_name(f".{folder.name}.{os.getpid()}.part")
    shutil.rmtree(half, ignore_errors=True)
    half.mkdir(parents=True)
    network = half / "network.yaml"
    content = make_network(SITES, MACHINES, seed)
    network.write_text(network_text(content, f"tests.bench.planning, seed {seed}"), encoding="utf-8")
    made, zone = load_network(network)
    (half / "orders.csv").write_text(
        book_text(make_book(made, lines, seed, zone, periods=periods), zone), encoding="utf-8"
    )
    shutil.copytree(_MODELS, half / "models")
    half.rename(folder)
    return folder


def _makers() -> str:
    """Digest of the code that makes books: another maker's book is another book."""
    code = hashlib.sha256()
    for source in sorted(Path(scenarios.__file__).parent.glob("*.py")):
        code.update(source.read_bytes())
    return code.hexdigest()[:8]


def cache_folder() -> Path:
    """Where generated scenarios and measured models are kept: in the user's own folder of the temporary directory."""
    folder = Path(tempfile.gettempdir()) / f"platewright-bench-{getpass.getuser()}"
    folder.mkdir(parents=True, exist_ok=True)
    return folder
