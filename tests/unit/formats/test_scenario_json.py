"""What is kept beside a plan comes back equal."""

from __future__ import annotations

from pathlib import Path

import pytest

import scenarios
from router.formats import read_scenario
from router.formats.scenario_json import scenario_from_json, scenario_to_json


def test_a_scenario_comes_back_equal() -> None:
    scenario = read_scenario(Path(scenarios.__file__).parent / "small")
    kept = scenario_from_json(scenario_to_json(scenario, {"a.stl": "0" * 64}))
    assert kept.network == scenario.network
    assert kept.lines == scenario.lines
    assert kept.fingerprint == scenario.fingerprint and kept.models == {"a.stl": "0" * 64}


def test_another_text_is_refused() -> None:
    with pytest.raises(ValueError, match="expected 'platewright scenario 1'"):
        scenario_from_json('{"format": "x"}')
