"""Lives of a comparison are of one world: files that change meanwhile are refused, and a scenario is read once."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from router.domain.network import Scenario
from router.formats.scenario_folder import read_scenario
from router.kernel.faults import Conflict, PlatewrightError
from router.service.what_if_folder import compare_what_ifs
from router.whatif.changes import BASE, read_what_if
from router.whatif.comparison import replication
from router.whatif.comparison.compare import Settings
from router.whatif.comparison.replication import Asked, content_of, run_replication
from router.whatif.sweep.run import Quiet

SMALL = Path(__file__).parents[3] / "scenarios" / "small"
_TEXT = (
    "format: platewright what-if 1\nname: {}\ninvented: true\nchanges:\n  - {{change: carbon_price, per_tonne: {}}}\n"
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(SMALL, tmp_path / "small"))


def _file(folder: Path, number: int) -> Path:
    path = folder / f"w{number}.yaml"
    path.write_text(_TEXT.format(f"w{number}", 10 + number), encoding="utf-8")
    return path


def _changed(folder: Path) -> None:
    network = folder / "network.yaml"
    network.write_text(network.read_text(encoding="utf-8") + "\n# another edition\n", encoding="utf-8")


def _asked(folder: Path, scenario: Scenario, what_if: Path | None = None) -> Asked:
    content = content_of(scenario, BASE if what_if is None else read_what_if(what_if))
    return Asked(str(folder), "" if what_if is None else str(what_if), content, "", 0.25, 500.0)


def test_a_folder_that_changed_is_refused_in_words(folder: Path) -> None:
    asked = _asked(folder, read_scenario(folder))
    _changed(folder)
    with pytest.raises(Conflict, match=r"scenario folder .* was changed after this was begun; ask again"):
        run_replication(asked, 1)


def test_a_what_if_that_changed_is_refused_in_words(folder: Path, tmp_path: Path) -> None:
    file = _file(tmp_path, 1)
    asked = _asked(folder, read_scenario(folder), file)
    file.write_text(_TEXT.format("w1", 99), encoding="utf-8")
    with pytest.raises(Conflict, match=r"what-if file .* was changed"):
        run_replication(asked, 1)


def test_a_comparison_in_which_the_folder_changes_ends_with_the_reason(folder: Path, tmp_path: Path) -> None:
    class Meddler(Quiet):
        def began(self, total: int, already: int) -> None:
            _changed(folder)

    settings = Settings(months=0.25, replications=2, executor="here")
    with pytest.raises(PlatewrightError, match="was changed after this was begun"):
        compare_what_ifs(folder, [_file(tmp_path, 1)], tmp_path / "out", settings, listener=Meddler())


def test_however_many_what_ifs_the_scenario_is_read_once(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scenario = read_scenario(folder)
    read: list[Path] = []

    def counted(path: Path, cache_dir: Path | None) -> Scenario:
        read.append(path)
        return scenario

    monkeypatch.setattr(replication, "read_scenario", counted)
    monkeypatch.setattr(replication, "replicate", lambda *asked: {"figure": 1.0})
    asked = [_asked(folder, scenario, _file(tmp_path, n)) for n in range(7)]
    for seed in range(3):
        for one in asked:
            assert run_replication(one, seed) == {"figure": 1.0}
    assert read == [folder]
