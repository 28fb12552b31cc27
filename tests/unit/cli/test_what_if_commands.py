"""`platewright whatif` as a user types it: words, and garbled options."""

from __future__ import annotations

from pathlib import Path

import pytest
from typed_command import Typed

SCENARIOS = Path(__file__).resolve().parents[3] / "scenarios"
ZARAGOZA = str(SCENARIOS / "whatif" / "zaragoza.yaml")


def test_explain_names_the_what_if(typed: Typed) -> None:
    code, said = typed("whatif", "explain", ZARAGOZA)
    assert code == 0
    first, second = said.splitlines()
    assert first == "A site in Zaragoza:"
    assert second.startswith("  Open site zaragoza")


@pytest.mark.parametrize(
    ("option", "value"),
    [
        ("--months", "nan"),
        ("--months", "a year"),
        ("--replications", "1"),
        ("--seed", "1.5"),
        ("--near-km", "inf"),
        ("--executor", "processes:0"),
        ("--executor", "dask:foo://somewhere"),
    ],
)
def test_garbled_options_are_faults_in_words(option: str, value: str, typed: Typed, tmp_path: Path) -> None:
    out = tmp_path / "out"
    words = ("whatif", "compare", str(SCENARIOS / "demo"), ZARAGOZA, "--out", str(out), option, value)
    code, said = typed(*words)
    assert code == 2
    assert "Traceback" not in said and ("found" in said or option in said)
    assert not out.exists()


@pytest.mark.parametrize(
    ("option", "value"), [("--cover", "nan"), ("--cover", "2"), ("--slack-days", "inf"), ("--at-most-days", "0")]
)
def test_garbled_rules_of_holding_are_faults_in_words(option: str, value: str, typed: Typed, tmp_path: Path) -> None:
    out = tmp_path / "out"
    code, said = typed("whatif", "hold", str(SCENARIOS / "small"), "--out", str(out), option, value)
    assert code == 2 and "Traceback" not in said and f"found {value}" in said
    assert not out.exists()
