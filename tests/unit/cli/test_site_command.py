"""`platewright site` as a user types it: the answer, its files, and faulty input."""

from __future__ import annotations

import csv
import json
import sys
from pathlib import Path

import pytest

from router.cli.main import main

ROOT = Path(__file__).resolve().parents[3]
SMALL, FILE = ROOT / "scenarios" / "small", ROOT / "scenarios" / "where_next" / "candidates.yaml"


def _run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    monkeypatch.setattr(sys, "argv", ["platewright", *words])
    with pytest.raises(SystemExit) as ended:
        main()
        sys.exit(0)
    said = capsys.readouterr()
    return int(ended.value.code or 0), said.out + said.err


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("router.cli.main.cache_dir", lambda: tmp_path / "cache")


def test_answer_in_words_tables_and_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "site"
    code, said = _run(monkeypatch, capsys, "site", str(SMALL), "--candidates", str(FILE), "--k", "1", "-o", str(out))
    assert code == 0
    answer = json.loads((out / "result.json").read_text())
    best = answer["best"]
    assert best["status"] == "optimal" and best["label"] in said
    assert best["cents_per_year"] <= answer["as_is"]["cents_per_year"]
    assert sum(best["parts_cents_per_year"].values()) == pytest.approx(best["cents_per_year"], abs=8)
    assert answer["invented"] is True and "Invented data" in (out / "site_choice.html").read_text()
    for text in answer["explanation"]:
        assert text in said
    assert any("assumptions" in text for text in answer["explanation"])
    with (out / "tornado.csv").open(newline="") as file:
        rows = list(csv.reader(file))
    assert {row[0] for row in rows[1:]} == {
        b["input"].replace("bought_cents_per_h", "bought_per_h") for b in answer["tornado"]
    }
    assert float(next(row[1] for row in rows if row[0] == "growth")) == -0.2
    with (out / "break_even.csv").open(newline="") as file:
        assert len(list(csv.reader(file))) == 1 + 5 * 4
    # The folder of an earlier answer may be replaced.
    code, _ = _run(monkeypatch, capsys, "site", str(SMALL), "--candidates", str(FILE), "-o", str(out))
    assert code == 0


def test_faulty_candidates_leave_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text(FILE.read_text().replace("works_like: OHIO", "works_like: NOWHERE").replace("[in718]", "[gold]"))
    out = tmp_path / "site"
    code, said = _run(monkeypatch, capsys, "site", str(SMALL), "--candidates", str(bad), "-o", str(out))
    assert code == 2 and "NOWHERE" in said and "gold" in said
    assert not out.exists()
    code, said = _run(monkeypatch, capsys, "site", str(SMALL), "--candidates", str(tmp_path / "none"), "-o", str(out))
    assert code == 2 and "no such file" in said
