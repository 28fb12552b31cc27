"""Runs the strip packing library in a process of its own, which the parent ends when time is up.

Reads one JSON request from standard input; writes a JSON line for every layout the library reports: pieces as
[item number, x, y, rotation in degrees]. Imports nothing of the project, so that it starts at once.
"""

from __future__ import annotations

import json
import sys
import threading
from typing import Any

import spyrrow

_POLL_S = 0.01


def main() -> None:
    """Solve the request and report."""
    asked = json.load(sys.stdin)
    items = [
        spyrrow.Item(str(number), [(x, y) for x, y in item["ring"]], item["count"], item["angles"])
        for number, item in enumerate(asked["items"])
    ]
    instance = spyrrow.StripPackingInstance("strip", asked["height"], items)
    config = spyrrow.StripPackingConfig(
        early_termination=True,
        min_items_separation=asked["spacing"] or None,
        total_computation_time=None,
        exploration_time=asked["exploration_s"],
        compression_time=asked["compression_s"],
        num_workers=asked["workers"],
        seed=asked["seed"],
    )
    queue = spyrrow.ProgressQueue()
    ended: list[Any] = []
    solver = threading.Thread(target=lambda: ended.append(instance.solve(config, queue)), daemon=True)
    solver.start()
    sound = (spyrrow.ReportType.ExplFeas, spyrrow.ReportType.CmprFeas, spyrrow.ReportType.Final)
    while solver.is_alive():
        solver.join(_POLL_S)
        for kind, layout in queue.drain():
            if kind in sound:
                _tell(layout)
    for layout in ended:
        _tell(layout)


def _tell(layout: Any) -> None:
    pieces = [(int(p.id), p.translation[0], p.translation[1], p.rotation) for p in layout.placed_items]
    sys.stdout.write(json.dumps(pieces) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
