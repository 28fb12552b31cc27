"""The record of a run: a JSON list, written whole after every case, taken up again where it broke off."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from tests.bench.cases import Case
from tests.bench.side_by_side import OURS, Outcome


def read_record(path: Path) -> list[dict[str, Any]]:
    """Entries of an earlier run; none when there is no file. Raises ``ValueError`` if it is no such record."""
    if not path.exists():
        return []
    entries = json.loads(path.read_text())
    if not isinstance(entries, list) or not all(isinstance(e, dict) and "name" in e for e in entries):
        raise ValueError(f"{path} holds no list of benchmark entries: another file, or another name, please")
    return entries


def write_record(path: Path, entries: list[dict[str, Any]]) -> None:
    """Replace the file in one step, so that a run broken off leaves the last whole state."""
    half = path.with_name(f".{path.name}.{os.getpid()}.part")
    path.parent.mkdir(parents=True, exist_ok=True)
    half.write_text(json.dumps(entries, indent=1) + "\n")
    half.replace(path)


def entry_of(case: Case, outcomes: Mapping[str, Outcome], settings: Mapping[str, Any]) -> dict[str, Any]:
    """What is written of one case. ``value`` is ours; bins are whole numbers, density is a share of 1."""
    ours = outcomes.get(OURS)
    bounds = [b for b in (case.bound, ours.bound if ours else None) if b is not None]
    pick = max if case.goal == "bins" else min
    return {
        "name": case.name,
        "value": _number(case, ours.value) if ours else None,
        "bound": _number(case, pick(bounds)) if bounds else None,
        "best_known": _number(case, case.best_known),
        "status": ours.status if ours else "not asked",
        "seconds": round(ours.seconds, 3) if ours else None,
        "peak_mb": round(ours.peak_mb, 1) if ours else None,
        "goal": case.goal,
        "family": case.family,
        "pieces": case.pieces,
        "baselines": {
            name: {
                "value": _number(case, o.value),
                "seconds": round(o.seconds, 3),
                "status": o.status,
                "note": o.note,
                **({"configurations": _configurations(o)} if name == "rectpack" else {}),
            }
            for name, o in outcomes.items()
            if name != OURS
        },
        "note": "; ".join(x for x in (case.note, ours.note if ours else "") if x),
        **settings,
    }


def _configurations(outcome: Outcome) -> dict[str, float]:
    return {name: round(value, 6) for name, value in outcome.configurations}


def _number(case: Case, value: float | None) -> float | int | None:
    if value is None:
        return None
    return round(value) if case.goal == "bins" else round(value, 6)


def one_figure(name: str, value: float, bound: float | None, seconds: float, **more: Any) -> dict[str, Any]:
    """The entry of a run that comes to one figure, with nothing beside it."""
    return {
        "name": name,
        "value": value,
        "bound": bound,
        "best_known": bound,
        "status": "done",
        "seconds": round(seconds, 1),
        "peak_mb": None,
        "baselines": {},
        **more,
    }
