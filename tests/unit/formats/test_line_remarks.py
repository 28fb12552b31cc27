"""Order lines that ask for what no site has are remarked on: one sentence for a word, with the lines."""

from __future__ import annotations

from dataclasses import replace
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
