"""Order lines that ask for what no site has are remarked on: one sentence for a word, with the lines; odd years too."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from small_folder import copy_small
from toy_scenario import toy_scenario

from router.formats import line_remarks, look_at_scenario


def test_one_sentence_for_every_word_nobody_has() -> None:
    scenario = toy_scenario(8, 5)
    plain = [replace(x, accreditations=("EN 9100",), export_control=None) for x in scenario.lines]
    assert line_remarks(plain, scenario.network) == ()
    wrong = [replace(x, accreditations=("EN9100",)) for x in plain[:7]] + [replace(plain[7], export_control="XC")]
    code, registration = line_remarks(wrong, scenario.network)
    ids = ", ".join(x.line_id for x in wrong[:5])
    assert code == f"lines {ids} and 2 more: accreditation 'EN9100': no site of the network holds it; did you mean " + (
        "'EN 9100'?"
    )
    assert registration.startswith(f"line {wrong[7].line_id}: registration 'XC': no site of the network holds it")


def test_the_check_of_a_folder_tells_them(tmp_path: Path, measured: Path) -> None:
    folder = copy_small(tmp_path)
    path = folder / "orders.csv"
    text = path.read_text(encoding="utf-8")
    assert ",AS9100," in text
    path.write_text(text.replace(",AS9100,", ",AS9001,", 1), encoding="utf-8")
    faults, remarks = look_at_scenario(folder, measured)
    assert faults == ()
    (remark,) = remarks
    assert remark == "line 1001-1: accreditation 'AS9001': no site of the network holds it; did you mean 'AS9100'?"


def test_dates_no_order_of_now_has_are_remarked_on() -> None:
    scenario = toy_scenario(4, 5)
    now = scenario.network.now
    plain = [replace(x, received_at=now, due_date=now.date()) for x in scenario.lines]
    assert line_remarks(plain, scenario.network) == ()
    a, b, c, d = plain
    ahead = [replace(a, received_at=now + timedelta(days=1461)), replace(b, received_at=now + timedelta(hours=2))]
    late = [replace(c, due_date=now.date() - timedelta(days=1)), d]
    said = line_remarks([*ahead, *late], scenario.network)
    assert said == (
        f"lines {a.line_id}, {b.line_id}: received 1 to 1461 days after now ({now.date()}); is the year right?",
        f"line {c.line_id}: due before now ({now.date()}), by 1 day; is the year right?",
    )


def test_now_may_be_another_moment_than_the_networks() -> None:
    scenario = toy_scenario(1, 5)
    (line,) = scenario.lines
    (said,) = line_remarks([line], scenario.network, datetime(2090, 1, 2, tzinfo=UTC))
    assert said.startswith(f"line {line.line_id}: due before now (2090-01-02)")


def test_a_year_typo_passes_the_check_with_a_remark(tmp_path: Path, measured: Path) -> None:
    folder = copy_small(tmp_path)
    path = folder / "orders.csv"
    text = path.read_text(encoding="utf-8")
    typo = text.replace(",2027-02-25T15:30,,2027-03-17,", ",2031-02-25T15:30,,2031-03-17,")
    assert typo != text
    path.write_text(typo, encoding="utf-8")
    faults, remarks = look_at_scenario(folder, measured)
    assert faults == ()
    assert remarks == ("line 1002-1: received 1458 days after now (2027-03-01); is the year right?",)
