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
    assert second.startswith("  Open site Zaragoza (zaragoza)")


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


_COMPARE = ("whatif", "compare", str(SCENARIOS / "small"), ZARAGOZA, "--executor")
_HOLD = ("whatif", "hold", str(SCENARIOS / "small"), "--executor")
_SITE = ("site", str(SCENARIOS / "small"), "--check", "--check-executor")
_CANDIDATES = ("--candidates", str(SCENARIOS / "where_next" / "candidates.yaml"))


@pytest.mark.parametrize("words", [_COMPARE, _HOLD, _SITE], ids=["compare", "hold", "site"])
def test_a_cluster_without_its_package_is_a_fault_in_a_line(
    words: tuple[str, ...], typed: Typed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("router.whatif.sweep.crew.importlib.util.find_spec", lambda _: None)
    more = _CANDIDATES if words is _SITE else ()
    code, said = typed(*words, "dask:tcp://127.0.0.1:8786", *more, "--out", str(tmp_path / "out"))
    assert code == 2 and not (tmp_path / "out").exists()
    assert len(said.splitlines()) == 1
    assert "dask:tcp://127.0.0.1:8786, without the package distributed" in said and "platewright[dask]" in said


@pytest.mark.parametrize("command", [("whatif", "compare"), ("whatif", "hold"), ("site",)])
def test_help_spells_executors_alike(command: tuple[str, ...], typed: Typed, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    code, said = typed(*command, "--help")
    assert code == 0 and "here, processes:N or dask:tcp://host:port" in said


def test_faults_of_files_scenario_and_changes_are_told_together(typed: Typed, tmp_path: Path) -> None:
    head = "format: platewright what-if 1\nname: {}\nchanges:\n"
    (tmp_path / "a.yaml").write_text(
        head.format("a") + "  - {change: carbon_price, per_tonne: .nan}\n  - {change: close_site, site: nowhere}\n"
    )
    (tmp_path / "b.yaml").write_text(head.format("b") + "  - {change: retire_machine, machine: none}\n")
    files = [str(tmp_path / name) for name in ("a.yaml", "b.yaml")]
    code, said = typed("whatif", "compare", str(SCENARIOS / "small"), *files, "--out", str(tmp_path / "out"))
    assert code == 2 and said.startswith("3 faults:")
    assert "per_tonne" in said and "'nowhere'" in said and "b.yaml" in said and "'none'" in said
    assert not (tmp_path / "out").exists()
