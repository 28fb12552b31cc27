"""Settings of the environment: what is not said, what cannot be read."""

from __future__ import annotations

import os

import pytest

from router.bootstrap import MOST_PROCESSES, Settings
from router.kernel.cores import cores
from router.kernel.faults import FaultyInput


def test_a_core_is_left_to_pages_and_plans(monkeypatch: pytest.MonkeyPatch) -> None:
    for there, wanted in ((1, 1), (2, 1), (8, 7)):
        monkeypatch.setattr(os, "sched_getaffinity", lambda _, n=there: set(range(n)), raising=False)
        assert cores() == there
        assert (
            Settings.from_environment({}).processes
            == wanted
            == Settings.from_environment({"PLATEWRIGHT_PROCESSES": " "}).processes
        )


def test_as_many_as_are_asked_for() -> None:
    assert Settings.from_environment({"PLATEWRIGHT_PROCESSES": "3"}).processes == 3


@pytest.mark.parametrize("said", ["0", "-1", "all", "1.5", str(MOST_PROCESSES + 1)])
def test_other_numbers_are_refused(said: str) -> None:
    with pytest.raises(FaultyInput, match=f"PLATEWRIGHT_PROCESSES.*1 to {MOST_PROCESSES}"):
        Settings.from_environment({"PLATEWRIGHT_PROCESSES": said})
