"""Lives of several worlds drawn from one history, from values alone: where there is no folder to read them from."""

from __future__ import annotations

import pickle
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from router.domain.network import Scenario
from router.kernel.faults import PlatewrightError
from router.whatif.changes.combine import WhatIf
from router.whatif.rolling.life import Habits
from router.whatif.rolling.replicate import Stretch, replicate
from router.whatif.study import replication_seed
from router.whatif.sweep.task import Task

FIGURES, WRONG = "figures", "wrong"
"""What a life answers with: its figures, or why it cannot be lived, for people."""


@dataclass(frozen=True, slots=True)
class World:
    """A changed network, and the habits of its planner (None: the simulation's own)."""

    what_if: WhatIf
    habits: Habits | None = None


def lives_of(
    scenario: Scenario, worlds: Sequence[World], stretch: Stretch, replications: int, seed: int
) -> list[tuple[int, int, Task]]:
    """Number of the replication, index of the world, and the life as a task; replication by replication.

    All worlds of a replication live through the same orders. These tasks are told apart within one sweep only.
    """
    packed = pickle.dumps(scenario)
    return [
        (
            number,
            index,
            Task(
                f"{world.what_if.name}, replication {number}",
                live_one,
                (packed, world, stretch, replication_seed(seed, number)),
                content=f"{number} {index}",
            ),
        )
        for number in range(replications)
        for index, world in enumerate(worlds)
    ]


def live_one(packed: bytes, world: World, stretch: Stretch, seed: int) -> dict[str, Any]:
    """One life, in whatever process. What is wrong with its input is an answer, told from a fault of ours."""
    scenario = _unpacked(packed)
    try:
        network = world.what_if.network(scenario.network)
        figures = replicate(scenario, network, seed, stretch, world.what_if.demand, world.habits)
    except PlatewrightError as wrong:
        return {WRONG: str(wrong)}
    return {FIGURES: figures}


@lru_cache(maxsize=1)
def _unpacked(packed: bytes) -> Scenario:
    scenario: Scenario = pickle.loads(packed)
    return scenario
