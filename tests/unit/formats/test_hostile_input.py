"""Files made to hurt: refused with a fault, quickly and without filling memory."""

from __future__ import annotations

import io
import time
import zipfile
from pathlib import Path

import pytest
from openpyxl import Workbook
from small_folder import SMALL, copy_small

from router.formats import check_scenario, yaml_reader
from router.formats.network_file import inspect_network
from router.formats.order_cells import MOST_ROWS, MOST_UNPACKED_BYTES, read_sheet
from router.formats.yaml_reader import MOST_BYTES, read_yaml
from router.kernel.faults import Fault

QUICK_S = 10.0
"""Far above what a refusal takes, far below what following the trap would take."""


def only(faults: list[Fault] | tuple[Fault, ...]) -> Fault:
    (fault,) = faults
    return fault


def test_aliases_that_multiply() -> None:
    layers = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    layers += [f"a{k}: &a{k} [{', '.join([f'*a{k - 1}'] * 10)}]" for k in range(1, 12)]
    began = time.monotonic()
    fault = only(read_yaml("\n".join(layers).encode(), "network.yaml").faults)
    assert "once aliases are followed" in fault.found
    assert time.monotonic() - began < QUICK_S


def test_alias_inside_itself() -> None:
    fault = only(read_yaml(b"a: &a\n  b: [1, *a]\n", "network.yaml").faults)
    assert "inside its own anchor" in fault.found
    assert fault.where == "line 1"


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("a: !!python/object/apply:os.system ['true']", "python/object"),
        ("a: !!binary aGk=", "the tag"),
        ("[" * 100_000, "more than 24 levels"),
        ("a: " + "[" * 40 + "]" * 40, "more than 24 levels"),
        ("? [a, b]\n: c", "a key that is not plain text"),
        ("a: 1\n---\nb: 2", "does not parse"),
        ("a: \x01", "the character"),
        ("", "an empty file"),
        ("a: *nobody", "does not parse"),
    ],
)
def test_yaml_traps(text: str, found: str) -> None:
    document = read_yaml(text.encode(), "network.yaml")
    assert found in only(document.faults).found
    assert document.data is None


_PLAIN = """
a: &one {n: 06:30, no: NO, t: true, f: 1.50, e: 1e3, nothing: ~, empty: , quoted: "7", single: '8'}
b: [*one, [1, -2, 0x10], "line\\n two"]
c:
  <<: *one
  "<<": kept
  text: |
    first
    second
  folded: >-
    one
    two
a: again
é: ü
"""


@pytest.mark.parametrize(
    "text", [_PLAIN, (SMALL / "network.yaml").read_text(encoding="utf-8"), "a: !t 1", "- %\n- x: y: z"]
)
def test_yaml_reads_the_same_with_and_without_libyaml(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    if yaml_reader._QuickLoader is None:
        pytest.skip("PyYAML came without libyaml")
    quick = read_yaml(text.encode(), "network.yaml")
    monkeypatch.setattr(yaml_reader, "_QuickLoader", None)
    assert read_yaml(text.encode(), "network.yaml") == quick


def test_yaml_that_is_not_utf8() -> None:
    fault = only(read_yaml(b"a: 1\nname: caf\xe9\n", "network.yaml").faults)
    assert (fault.where, fault.found) == ("line 2", "byte 0xe9")


def test_yaml_too_large() -> None:
    assert f"at most {MOST_BYTES} bytes" in only(read_yaml(b"#" * (MOST_BYTES + 1), "network.yaml").faults).expected


@pytest.mark.parametrize("text", ["- a\n- b", "just words", "42"])
def test_network_that_is_no_mapping(text: str) -> None:
    assert only(inspect_network(text.encode()).faults).expected == "a YAML mapping of fields"


def test_words_stay_words() -> None:
    data = read_yaml(b"a: NO\nb: 06:30\nc: 02134\nd: 2027-03-01\ne: yes\nf: 1.50\n", "network.yaml").data
    assert {k: str(v) for k, v in data.items()} == {
        "a": "NO",
        "b": "06:30",
        "c": "02134",
        "d": "2027-03-01",
        "e": "yes",
        "f": "1.50",
    }


def test_merge_keys_do_not_override() -> None:
    data = read_yaml(b"x: &x {p: 1, q: 2}\ny:\n  <<: *x\n  q: 3\n", "network.yaml").data
    assert data["y"] == {"p": 1, "q": 3}


def test_values_of_every_wrong_kind_give_faults_and_no_crash() -> None:
    text = (SMALL / "network.yaml").read_text(encoding="utf-8")
    lines = text.splitlines()
    began = time.monotonic()
    tried = 0
    # Every eleventh line, so that the test stays quick; each with three values no field accepts as they stand.
    for number in range(0, len(lines), 11):
        head, colon, _ = lines[number].partition(": ")
        if not colon or head.startswith("#"):
            continue
        for wrong in ("{x: [1, {y: 2}]}", "[[], {}]", "-1e300"):
            broken = [*lines[:number], f"{head}: {wrong}", *lines[number + 1 :]]
            assert inspect_network("\n".join(broken).encode()).faults, lines[number]
            tried += 1
    assert tried >= 30
    assert time.monotonic() - began < 6 * QUICK_S


def _bare_workbook() -> bytes:
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["line", "order"])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _with_part(name: str, content: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(_bare_workbook())) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for item in old.infolist():
            if item.filename != name:
                new.writestr(item, old.read(item))
        new.writestr(name, content)
    return out.getvalue()


def test_workbook_that_unpacks_to_gigabytes() -> None:
    bomb = _with_part("xl/media/fill.bin", bytes(MOST_UNPACKED_BYTES + 1))
    assert len(bomb) < 1_000_000
    began = time.monotonic()
    assert "bytes unpacked" in only(read_sheet(bomb, "orders.xlsx").faults).found
    assert time.monotonic() - began < QUICK_S


def test_workbook_with_entities() -> None:
    entities = b'<?xml version="1.0"?><!DOCTYPE s [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;">]><sst>&b;</sst>'
    trapped = _with_part("xl/sharedStrings.xml", entities)
    assert "a document type" in only(read_sheet(trapped, "orders.xlsx").faults).found


def test_workbook_with_a_cell_far_away() -> None:
    sheet = (
        b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><dimension ref="A1:XFD1048576"/>'
        b'<sheetData><row r="1"><c r="A1" t="inlineStr"><is><t>line</t></is></c></row>'
        b'<row r="1048576"><c r="A1048576"><v>1</v></c></row></sheetData></worksheet>'
    )
    began = time.monotonic()
    read = read_sheet(_with_part("xl/worksheets/sheet1.xml", sheet), "orders.xlsx")
    assert f"more than {MOST_ROWS} rows" in only(read.faults).found
    assert time.monotonic() - began < QUICK_S


@pytest.mark.parametrize(
    "raw",
    [b"", b"PK\x03\x04 and no more", b"line,order\n1,2\n", _with_part("xl/workbook.xml", b"<nothing/>")],
    ids=["empty", "cut off", "CSV in disguise", "without sheets"],
)
def test_workbook_that_is_none(raw: bytes) -> None:
    assert "cannot be read" in only(read_sheet(raw, "orders.xlsx").faults).found


@pytest.mark.parametrize(
    ("raw", "found"),
    [
        (b"", "nothing"),
        (b"line,order\n\x00,1\n", "a NUL character"),
        (b"line,order\n\xff,1\n", "byte 0xff"),
        (b'line,order\n"1,2\n', "does not parse"),
        (b"line,order\n" + b"x" * 200_000 + b",1\n", "does not parse"),
        (b"line," * 200 + b"\n", "201 cells"),
        (b"line,order\n" + b"1,2\n" * (MOST_ROWS + 1), f"more than {MOST_ROWS} rows"),
    ],
    ids=["empty", "NUL", "not UTF-8", "open quote", "endless cell", "endless row", "endless book"],
)
def test_csv_traps(raw: bytes, found: str) -> None:
    assert found in only(read_sheet(raw, "orders.csv").faults).found


@pytest.mark.parametrize(
    "name", ["..", ".hidden.stl", "a/../../b.stl", "C:\\x.stl", "\\\\host\\x.stl", "nul\x00.stl", "~/x.stl", "x\n.stl"]
)
def test_model_names_that_lead_elsewhere(name: str, tmp_path: Path, measured: Path) -> None:
    folder = copy_small(tmp_path)
    text = (folder / "orders.csv").read_text(encoding="utf-8").replace("cap.stl", f'"{name}"')
    (folder / "orders.csv").write_text(text, encoding="utf-8", newline="")
    faults = check_scenario(folder, measured)
    assert faults
    assert "\x00" in name or all((f.where, f.field) == ("row 4", "model") for f in faults)
