"""`platewright site` as a user types it: the answer, its files, and faulty input."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from typed_command import Typed

from router.formats.network_file import read_network
from router.kernel.run import Silent
from router.service import site_choice
from router.service.site_check import CheckAsked, SiteCheck
from router.whatif.changes import read_what_if
from router.whatif.comparison.replication import Asked
from router.whatif.rolling.figures import Figures

ROOT = Path(__file__).resolve().parents[3]
SMALL, FILE = ROOT / "scenarios" / "small", ROOT / "scenarios" / "where_next" / "candidates.yaml"


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("router.cli.commands.cache_dir", lambda: tmp_path / "cache")


def test_answer_in_words_tables_and_page(tmp_path: Path, typed: Typed) -> None:
    out = tmp_path / "site"
    code, said = typed("site", str(SMALL), "--candidates", str(FILE), "--k", "1", "-o", str(out))
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
    for table in out.glob("*.csv"):
        heading = next(csv.reader(table.open(newline="")))
        assert len(set(heading)) == len(heading), table.name
    with (out / "break_even.csv").open(newline="") as file:
        assert len(list(csv.reader(file))) == 1 + 5 * 4
    # The folder of an earlier answer may be replaced.
    code, _ = typed("site", str(SMALL), "--candidates", str(FILE), "-o", str(out))
    assert code == 0


def test_faulty_candidates_leave_nothing(tmp_path: Path, typed: Typed) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text(FILE.read_text().replace("works_like: OHIO", "works_like: NOWHERE").replace("[in718]", "[gold]"))
    out = tmp_path / "site"
    code, said = typed("site", str(SMALL), "--candidates", str(bad), "-o", str(out))
    assert code == 2 and "NOWHERE" in said and "gold" in said
    assert not out.exists()
    code, said = typed("site", str(SMALL), "--candidates", str(tmp_path / "none"), "-o", str(out))
    assert code == 2 and "no such file" in said


def test_the_result_of_a_plan_is_not_replaced(tmp_path: Path, typed: Typed) -> None:
    out = tmp_path / "planned"
    out.mkdir()
    for name in ("result.json", "plan.json"):
        (out / name).write_text('{"format": "platewright result 1"}', encoding="utf-8")
    code, said = typed("site", str(SMALL), "--candidates", str(FILE), "-o", str(out))
    assert code == 2 and "the result of a plan" in " ".join(said.split())
    assert sorted(p.name for p in out.iterdir()) == ["plan.json", "result.json"]


def test_choice_is_checked_by_simulation_and_written_as_what_ifs(tmp_path: Path, typed: Typed) -> None:
    out, kept = tmp_path / "site", tmp_path / "whatif"
    words = ["site", str(SMALL), "--candidates", str(FILE), "-o", str(out), "--write-what-if", str(kept), "--check"]
    words += ["--check-months", "0.25", "--check-replications", "2", "--runners-up", "1", "--check-executor", "here"]
    code, said = typed(*words)
    assert code == 0
    answer = json.loads((out / "result.json").read_text())
    best, second = answer["check"]["choices"]
    assert best["label"] == answer["best"]["label"] != second["label"]
    saving = answer["as_is"]["cents_per_year"] - answer["best"]["cents_per_year"]
    assert best["programme_saving_cents_per_year"] == pytest.approx(saving, abs=1)
    low = best["difference_cents_per_year"] - best["half_width_cents_per_year"]
    high = best["difference_cents_per_year"] + best["half_width_cents_per_year"]
    assert best["agreement"] == ("agrees" if high < 0 else "disagrees" if low > 0 else "cannot tell")
    assert "Checked by simulation (2 times 0.25 months" in said and f"The simulation {best['agreement']}" in said
    # By hand, from the kept lives: with less without, as a year of 8 days, and what the programme has for the site.
    lives = [json.loads(line) for line in (kept / "results.jsonl").read_text().splitlines()]
    by_name = {life["name"]: life["value"] for life in lives}
    gaps = []
    for n in range(2):
        here, base = by_name[f"choice-1.yaml, replication {n}"], by_name[f"terms.yaml, replication {n}"]
        assert here["lines"] == base["lines"] > 0
        assert here["lines_not_placed"] == base["lines_not_placed"] == 0
        gaps.append((here["landed_cents"] - base["landed_cents"]) * 365 / 8)
    parts = answer["best"]["parts_cents_per_year"]
    fixed = parts["sites"] + parts["staff"] + parts["capital"]
    assert best["difference_cents_per_year"] == pytest.approx(sum(gaps) / 2 + fixed, abs=5)
    # The files are what-ifs like any: read, explained, and fitting the scenario.
    network = read_network((SMALL / "network.yaml").read_bytes())
    choice = read_what_if(kept / "choice-1.yaml")
    assert choice.name == f"Open {best['label']}" and choice.check(network, "choice-1.yaml") == []
    grown = choice.network(network)
    (opened,) = answer["best"]["sites"]
    added = [m for m in grown.machines if m.site_id == opened["id"]]
    assert len(added) == sum(opened["machines"].values())
    assert all(m.rate_cents_per_h == 0 and m.alloys == ("in718",) for m in added)
    (investment,) = choice.investments
    assert investment.capex == 74_000_000 and investment.ready_after_months == 4
    # Taken up again nothing is done twice; other things in the folder are left alone.
    typed(*words)
    assert len((kept / "results.jsonl").read_text().splitlines()) == len(lives)
    for mine in ("thesis.txt", "choice-of-mine.yaml", "choice-01.yaml"):
        (kept / mine).write_text("mine")
        code, said = typed(*words)
        assert code == 2 and mine in said and (kept / mine).read_text() == "mine"
        (kept / mine).unlink()


def broken_life(asked: Asked, seed: int) -> Figures:
    raise ValueError("a life that breaks off")


def test_a_check_with_a_failed_life_says_which(tmp_path: Path, typed: Typed, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("router.service.site_check.run_replication", broken_life)
    words = ("site", str(SMALL), "--candidates", str(FILE), "-o", str(tmp_path / "site"), "--check")
    code, said = typed(*words, "--check-months", "0.25", "--check-replications", "2", "--check-executor", "here")
    assert code == 2 and "4 replications failed; terms.yaml, replication 0" in said and "breaks off" in said
    # The choice itself is not lost by it, and says nothing of a check.
    assert f"The choice is written to {tmp_path / 'site'}" in said.replace("\n", "")
    answer = json.loads((tmp_path / "site" / "result.json").read_text())
    assert answer["best"]["status"] == "optimal" and answer["check"] is None
    assert "Checked by simulation" not in " ".join(answer["explanation"])


def test_a_check_that_is_interrupted_leaves_the_choice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*told: object) -> SiteCheck:
        raise KeyboardInterrupt

    monkeypatch.setattr(site_choice, "check_choices", interrupted)
    heard: list[bool] = []
    out = tmp_path / "site"
    with pytest.raises(KeyboardInterrupt):
        site_choice.site_choice(
            SMALL, FILE, out, 1, Silent(), cache_dir=tmp_path / "cache", check=CheckAsked(0.25, 2),
            written=lambda: heard.append((out / "result.json").is_file()),
        )  # fmt: skip
    assert heard == [True]
    assert json.loads((out / "result.json").read_text())["check"] is None


def test_check_options_that_make_no_sense(tmp_path: Path, typed: Typed) -> None:
    words = ("site", str(SMALL), "--candidates", str(FILE), "-o", str(tmp_path / "site"), "--check")
    code, said = typed(*words, "--check-months", "nan")
    assert code == 2 and "found nan" in said
    sparse = tmp_path / "sparse.yaml"
    sparse.write_text(FILE.read_text().replace("growth: 0.10", "growth: 3", 1))
    code, said = typed(*words[:3], str(sparse), *words[4:])
    assert code == 2 and "history_days" in said
    assert not (tmp_path / "site").exists()
