"""Planning cases from whatever is named: what a file is, is told by its content."""

from __future__ import annotations

import gzip
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Protocol

from tests.bench.plan_case import PlanCase
from tests.bench.plan_irregular import irregular_cases

GENERATED = "generated:"


class ReadOptions(Protocol):
    """What of the command's options readers ask for."""

    rotate: bool
    seed: int
    no_audit: bool


def read_plan_cases(named: str, options: ReadOptions) -> list[PlanCase]:
    """Cases of a file, of a scenario folder, or of the words ``generated:LINES``.

    Raises ``ValueError`` or ``OSError`` for what is none of these.
    """
    if named.startswith(GENERATED) or Path(named).is_dir():
        from tests.bench.plan_network import network_cases

        return list(network_cases(named, options.seed, audit=not options.no_audit))
    records = _records(Path(named))
    head = records[0] if records and isinstance(records[0], dict) else {}
    try:
        if "polygons" in head:
            return list(irregular_cases(records, options.rotate))
        if "projections" in head:
            from tests.bench.plan_real import real_cases

            return list(real_cases(head))
        if "problem" in head and "instances" in head:
            from tests.bench.plan_sites import site_cases

            return list(site_cases(head))
    except (KeyError, TypeError, IndexError) as wrong:
        raise ValueError(f"{named}: looks like a planning benchmark but lacks something ({wrong!r})") from wrong
    raise ValueError(f"{named}: none of the planning benchmarks (see --help)")


def _records(path: Path) -> Sequence[Any]:
    raw = path.read_bytes()
    text = (gzip.decompress(raw) if raw[:2] == b"\x1f\x8b" else raw).decode()
    try:
        return [json.loads(text)]
    except json.JSONDecodeError:
        return [json.loads(line) for line in text.splitlines() if line.strip()]
