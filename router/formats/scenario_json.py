"""A scenario as JSON, to keep beside the plan made from it: network, lines and the contents of their models.

Measurements are left out: they follow from the contents.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import TypeAdapter

from router.domain.network import Network, Scenario
from router.domain.orders import OrderLine

SCENARIO_FORMAT = "platewright scenario 1"
_NETWORK: TypeAdapter[Network] = TypeAdapter(Network)
_LINES: TypeAdapter[tuple[OrderLine, ...]] = TypeAdapter(tuple[OrderLine, ...])


@dataclass(frozen=True, slots=True)
class KeptScenario:
    """What was kept. ``models``: SHA-256 of the content by file name."""

    network: Network
    lines: tuple[OrderLine, ...]
    models: Mapping[str, str]
    fingerprint: str


def scenario_to_json(scenario: Scenario, models: Mapping[str, str]) -> str:
    """JSON text; what ``scenario_from_json`` makes of it equals what was written."""
    tree: dict[str, Any] = {
        "format": SCENARIO_FORMAT,
        "fingerprint": scenario.fingerprint,
        "models": dict(models),
        "network": _NETWORK.dump_python(scenario.network, mode="json"),
        "lines": _LINES.dump_python(scenario.lines, mode="json"),
    }
    return json.dumps(tree, ensure_ascii=False, allow_nan=False)


def scenario_from_json(text: str) -> KeptScenario:
    """Back again. Raises ValueError for a text this program did not write."""
    tree = json.loads(text)
    if tree.get("format") != SCENARIO_FORMAT:
        raise ValueError(f"format {tree.get('format')!r}; expected {SCENARIO_FORMAT!r}")
    network = _NETWORK.validate_python(tree["network"])
    lines = _LINES.validate_python(tree["lines"])
    return KeptScenario(network, lines, tree["models"], tree["fingerprint"])
