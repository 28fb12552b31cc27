"""What-ifs compared from files: pairs, resumption, faults before anything is simulated, the page."""

from __future__ import annotations

import csv
import json
import math
import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from router.kernel.faults import FaultyInput, PlatewrightError
from router.service.what_if_folder import compare_what_ifs
from router.whatif.changes import BASE, read_what_if
from router.whatif.comparison.compare import (
    NOTHING_RECEIVED,
    Comparison,
    Lived,
    Settings,
    _appraisal,
    _why_no_appraisal,
)
from router.whatif.comparison.tables import findings, gap_shown, rows, word
from router.whatif.rolling.replicate import Stretch
from router.whatif.statistics import Verdict, compare_paired
from router.whatif.sweep.run import Quiet, SweepEnd

SMALL = Path(__file__).parents[3] / "scenarios" / "small"
HEAD = "format: platewright what-if 1\nname: {}\ninvented: true\nchanges:\n"
SETTINGS = Settings(months=0.5, replications=2, seed=4, executor="here")


def file_of(folder: Path, name: str, *changes: str) -> Path:
    path = folder / f"{name}.yaml"
    path.write_text(HEAD.format(name) + ("".join(f"  - {c}\n" for c in changes) or "  []\n"), encoding="utf-8")
    return path


class _Count(Quiet):
    def __init__(self) -> None:
        self.done = 0

    def kept(self, entry: object, done: int, total: int) -> None:
        self.done += 1


@pytest.fixture(scope="module")
def compared(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, object]]:
    folder = tmp_path_factory.mktemp("whatif")
    nothing = file_of(folder, "nothing")
    dearer = file_of(folder, "dearer <b>", "{change: change_carrier, price_factor: 3, investment: {capex: 1000.00}}")
    out = folder / "out"
    compare_what_ifs(SMALL, [nothing, dearer], out, SETTINGS)
    # A copy, for the folder is taken up again below.
    made = folder / "made"
    shutil.copytree(out, made)
    return made, json.loads((made / "comparison.json").read_text())


def test_no_change_is_no_difference_and_dearer_freight_is_dearer(compared: tuple[Path, dict[str, object]]) -> None:
    _, made = compared
    base, nothing, dearer = made["scenarios"]  # type: ignore[misc]
    assert nothing["means"] == base["means"]  # type: ignore[index]
    assert {d["verdict"] for d in nothing["differences"].values()} == {"the same in every replication"}  # type: ignore[index]
    assert dearer["differences"]["after_cents"]["mean"] > 0  # type: ignore[index]


def test_a_difference_that_is_always_the_same_is_better_or_worse_unless_it_is_none() -> None:
    for gap, told in ((-3.0, "better"), (3.0, "worse"), (0.0, "same")):
        difference = compare_paired([10.0 + gap, 20.0 + gap], [10.0, 20.0])
        assert difference.verdict is Verdict.SAME and word("late_days_a_line", difference) == told
    assert word("near_share", compare_paired([0.5, 0.5], [0.25, 0.25])) == "better"
    assert word("utilisation", compare_paired([0.5, 0.5], [0.25, 0.25])) == "other"


def test_net_present_value_is_that_of_the_saving_a_month(compared: tuple[Path, dict[str, object]]) -> None:
    """Annuity by hand: 8 % a year over 7 years, 1,000.00 paid at the start. Half a month counts 15 whole days, and a
    month has 30.4375 of them (365.25 / 12)."""
    out, made = compared
    with (out / "replications.csv").open(encoding="utf-8", newline="") as text:
        cents = {(r["scenario"], r["replication"]): float(r["landed_cents"]) for r in csv.DictReader(text)}
    rate = 1.08 ** (1 / 12) - 1
    factor = (1 - (1 + rate) ** -84) / rate
    for n, npv in enumerate(made["scenarios"][2]["npv_cents"]):  # type: ignore[index]
        a_day = (cents["base", str(n)] - cents["dearer <b>", str(n)]) / 15
        assert npv == pytest.approx(-100_000 + round(a_day * 30.4375) * factor, abs=100)


def test_a_saving_is_one_of_the_days_counted(tmp_path: Path) -> None:
    """By hand: 300.00 saved in the 8 days of a quarter month are 1,141.41 in 30.4375; undiscounted over 12 months, less
    1,000.00 paid, 12,696.92. By the quarter month asked for it would be 13,400.00."""
    paid = read_what_if(
        file_of(tmp_path, "paid", "{change: carbon_price, per_tonne: 100, investment: {capex: 1000.00}}")
    )
    paid = replace(paid, life_years=1.0, discount_rate_per_year=0.0)
    months = Stretch(months=0.25).counted_months
    found = _appraisal(paid, BASE, [({"landed_cents": 70_000.0}, {"landed_cents": 100_000.0})] * 2, months)
    assert found.npv_cents.values == (1_269_692, 1_269_692)


def test_kept_replications_are_not_done_again_and_others_are(
    compared: tuple[Path, dict[str, object]], tmp_path: Path
) -> None:
    out = compared[0].parent / "out"
    files = [out.parent / "nothing.yaml", out.parent / "dearer <b>.yaml"]
    count = _Count()
    compare_what_ifs(SMALL, files, out, SETTINGS, listener=count)
    assert count.done == 0
    compare_what_ifs(SMALL, files, out, Settings(0.5, 3, 4, executor="here"), listener=count)
    assert count.done == 3
    changed = file_of(out.parent, "nothing", "{change: carbon_price, per_tonne: 500}")
    compare_what_ifs(SMALL, [changed], out, SETTINGS, listener=count)
    assert count.done == 5


def test_tables_and_page_hold_what_was_found(compared: tuple[Path, dict[str, object]]) -> None:
    out, _ = compared
    page = (out / "comparison.html").read_text(encoding="utf-8")
    assert "dearer &lt;b&gt;" in page and ">nothing</h2>" in page
    assert "<b>" not in page.split("<main>")[1].split("<style>")[0].replace("<b>Invented", "")
    with (out / "replications.csv").open(encoding="utf-8", newline="") as text:
        kept = list(csv.DictReader(text))
    assert sorted({row["scenario"] for row in kept}) == ["base", "dearer <b>", "nothing"]


def test_differences_of_shares_are_points_and_of_all_else_in_their_unit(
    compared: tuple[Path, dict[str, object]],
) -> None:
    assert gap_shown("late_share", -0.069, "EUR") == "\u22126.9 points"
    assert gap_shown("km", 1200.0, "EUR") == "1,200"
    out, made = compared
    page = (out / "comparison.html").read_text(encoding="utf-8")
    cells = re.findall(r"<td class=\"num nowrap\">([^<]* ± [^<]*)</td>", page)
    assert any("points ± " in x for x in cells) and not any("%" in x for x in cells)
    said = [x for s in made["scenarios"] for x in s["findings"] if "late lines" in x]  # type: ignore[attr-defined]
    assert said and not any("\u00a0%" in x for x in said)


def test_faults_are_told_before_anything_is_simulated_or_written(tmp_path: Path) -> None:
    bad = file_of(tmp_path, "bad", "{change: close_site, site: nowhere}")
    worse = file_of(tmp_path, "worse", "{change: fly}")
    for files, many in (([bad], 1), ([worse, tmp_path / "none.yaml"], 2)):
        with pytest.raises(FaultyInput) as caught:
            compare_what_ifs(SMALL, files, tmp_path / "out", SETTINGS)
        assert len(caught.value.faults) == many
    assert not (tmp_path / "out").exists()
    foreign = tmp_path / "foreign"
    foreign.mkdir()
    (foreign / "thesis.txt").write_text("mine")
    with pytest.raises(FaultyInput, match="earlier comparison"):
        compare_what_ifs(SMALL, [file_of(tmp_path, "good")], foreign, SETTINGS)


def test_the_same_file_twice_no_orders_and_no_place_to_write_are_faults_before_any_work(tmp_path: Path) -> None:
    good = file_of(tmp_path, "good")
    none = file_of(tmp_path, "none", "{change: demand, factor: 0}")
    below = file_of(tmp_path, "below", "{change: demand, factor: -1}")
    in_the_way = tmp_path / "in_the_way"
    in_the_way.write_text("a file")
    count = _Count()
    for files, out, said in (
        ([good, tmp_path / "." / "good.yaml"], tmp_path / "out", "the same file given twice"),
        ([none], tmp_path / "out", "no order of the book left"),
        ([below], tmp_path / "out", "at least 0"),
        ([good], in_the_way / "out", "no folder to write in"),
        ([good], Path("/proc/out"), "no folder to write in"),
    ):
        with pytest.raises(FaultyInput, match=said):
            compare_what_ifs(SMALL, files, out, SETTINGS, listener=count)
    assert count.done == 0 and not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "given",
    [
        {"months": 40},
        {"months": math.nan},
        {"replications": 1},
        {"near_km": 0},
        {"near_km": math.inf},
        {"executor": "everywhere"},
    ],
    ids=str,
)
def test_settings_say_what_would_be_right(given: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="found"):
        Settings(**given)  # type: ignore[arg-type]


def test_why_there_is_no_net_present_value_is_told(tmp_path: Path) -> None:
    invested = "investment: {capex: 1000.00}"
    more = file_of(tmp_path, "more", f"{{change: demand, factor: 1.5, {invested}}}")
    free = file_of(tmp_path, "free", "{change: carbon_price, per_tonne: 100}")
    paid = file_of(tmp_path, "paid", f"{{change: carbon_price, per_tonne: 100, {invested}}}")
    compare_what_ifs(SMALL, [more, free, paid], tmp_path / "out", SETTINGS)
    made = json.loads((tmp_path / "out" / "comparison.json").read_text())
    of = {x["name"]: x for x in made["scenarios"]}
    assert [of[x]["npv_cents"] is None for x in ("base", "more", "free", "paid")] == [True, True, True, False]
    assert "demand is not the base's" in of["more"]["why_no_npv"]
    assert any("No net present value is given: demand" in x for x in of["more"]["findings"])
    assert of["free"]["why_no_npv"] == "nothing is invested" and of["paid"]["why_no_npv"] == ""
    assert not any("No net present value" in x for x in (*of["free"]["findings"], *of["paid"]["findings"]))
    assert of["base"]["why_no_npv"] == ""


def test_lines_nobody_builds_in_some_replications_are_a_reason_though_the_mean_is_the_same(tmp_path: Path) -> None:
    paid = file_of(tmp_path, "paid", "{change: carbon_price, per_tonne: 100, investment: {capex: 1000.00}}")
    what_if = read_what_if(paid)
    figures = [(_lived(a), _lived(b)) for a, b in ((1, 0), (0, 1), (2, 2))]
    assert "in 2 of 3 replications" in _why_no_appraisal(what_if, BASE, figures)
    assert _why_no_appraisal(what_if, BASE, figures[2:]) == ""


def test_beside_another_what_if_only_what_comes_on_top_is_paid_for(tmp_path: Path) -> None:
    terms = file_of(tmp_path, "terms", "{change: demand, factor: 2}")
    paid = "{change: carbon_price, per_tonne: 100, investment: {capex: 1000.00}}"
    upon = file_of(tmp_path, "upon", paid)
    upon.write_text(f"on: {terms.name}\n{upon.read_text()}")
    alone = file_of(tmp_path, "alone", paid)
    base, above, beside = (read_what_if(x) for x in (terms, upon, alone))
    figures = [(_lived(0), _lived(0))] * 2
    assert _why_no_appraisal(above, base, figures) == ""
    assert "demand is not the base's" in _why_no_appraisal(above, BASE, figures)
    assert "does not go on from its base" in _why_no_appraisal(beside, base, figures)
    assert _why_no_appraisal(base, base, figures) == "nothing is invested"


def _lived(not_placed: int) -> dict[str, float]:
    return {"lines": 5.0, "lines_not_placed": float(not_placed)}


def test_a_time_in_which_nothing_is_received_is_refused(tmp_path: Path) -> None:
    # A year typo stretches the days the book stands for to 72 years: hardly an order comes in a fortnight.
    folder = tmp_path / "book"
    shutil.copytree(SMALL, folder)
    book = folder / "orders.csv"
    text = book.read_text(encoding="utf-8")
    head, *lines = text.splitlines(keepends=True)
    line = next(x for x in lines if x.startswith("1002-1"))
    again = line.replace("1002", "2002").replace("2027-", "2099-")
    book.write_text(head + line + again, encoding="utf-8")
    paid = file_of(tmp_path, "paid", "{change: carbon_price, per_tonne: 100, investment: {capex: 1000.00}}")
    with pytest.raises(PlatewrightError, match=r"paid: no line is received in the time that counts"):
        compare_what_ifs(folder, [paid], tmp_path / "out", SETTINGS)
    assert not (tmp_path / "out" / "comparison.json").exists()


def test_where_nothing_is_received_that_is_all_that_is_said(tmp_path: Path) -> None:
    paid = read_what_if(file_of(tmp_path, "paid", "{change: carbon_price, per_tonne: 1, investment: {capex: 1.00}}"))
    some, none = _lived(0), {**_lived(0), "lines": 0.0}
    assert _why_no_appraisal(paid, BASE, [(none, none)] * 2) == NOTHING_RECEIVED
    assert _why_no_appraisal(paid, BASE, [(none, none), (some, some)]) == ""
    empty = Lived(paid, (), {}, {}, None, NOTHING_RECEIVED)
    made = Comparison(SETTINGS, 2, (Lived(BASE, (), {}, {}, None, ""), empty), SweepEnd.DONE, 1.0, None)
    (said,) = findings(made, empty, "EUR")
    assert "nothing can be compared" in said
    assert rows(made, empty, "EUR") == ()
