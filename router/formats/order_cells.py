"""The order book as rows of text cells, from CSV or from the first sheet of a workbook."""

from __future__ import annotations

import csv
import io
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Any

from openpyxl import load_workbook
from openpyxl.utils.exceptions import InvalidFileException

from router.formats.wording import found
from router.kernel.faults import Fault

MOST_BYTES = 20_000_000
MOST_UNPACKED_BYTES = 80_000_000
MOST_PARTS = 400
MOST_ROWS = 50_000
MOST_COLUMNS = 40


_AS_UTF_8 = "text in UTF-8: save the file as 'CSV UTF-8', or as an XLSX workbook"


@dataclass
class Sheet:
    """The heading and the rows below it; rows are counted as a spreadsheet counts them, the heading is row 1."""

    heading: list[str] = field(default_factory=list)
    rows: list[tuple[int, list[str]]] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    spoilt: set[tuple[int, int]] = field(default_factory=set)
    """Row and position of cells that are empty because what stood there is told as a fault."""
    heading_at: str = "row 1"


def read_sheet(raw: bytes, file: str) -> Sheet:
    """Rows of the file, told by the ending of its name. Blank rows are left out; faults are collected."""
    if len(raw) > MOST_BYTES:
        return _refused(file, "", f"{len(raw)} bytes", f"at most {MOST_BYTES} bytes")
    sheet = _read_workbook(raw, file) if file.lower().endswith(".xlsx") else _read_csv(raw, file)
    if not sheet.heading and not sheet.faults:
        sheet.faults.append(Fault(file, "row 1", "", "nothing", "a heading row with the column names"))
    return sheet


def _refused(file: str, where: str, found_text: str, expected: str) -> Sheet:
    return Sheet(faults=[Fault(file, where, "", found_text, expected)])


def _take(sheet: Sheet, file: str, rows: Iterator[list[str]]) -> Sheet:
    for number, cells in enumerate(rows, start=1):
        if number > MOST_ROWS:
            sheet.faults.append(Fault(file, f"row {number}", "", f"more than {MOST_ROWS} rows", "a shorter order book"))
            break
        if len(cells) > MOST_COLUMNS:
            sheet.faults.append(Fault(file, f"row {number}", "", f"{len(cells)} cells", f"at most {MOST_COLUMNS}"))
            break
        if number == 1:
            sheet.heading = [whole(cell) for cell in cells]
        else:
            take_row(sheet, file, number, cells)
    return sheet


_NO_TEXT = re.compile("[\0\ud800-\udfff]")
"""What no database keeps: a NUL, and half of a pair of surrogates, which is no character."""


def whole(name: str) -> str:
    """The name of a column; what no text can hold stands in it as it is written."""
    return _NO_TEXT.sub(lambda half: f"\\u{ord(half.group()):04x}", name)


def take_row(sheet: Sheet, file: str, number: int, cells: list[str]) -> None:
    """Take a row, unless it is blank; a cell that no text can hold is a fault and empty."""
    for k, cell in enumerate(cells):
        wrong = _NO_TEXT.search(cell)
        if wrong is None:
            continue
        column = sheet.heading[k] if k < len(sheet.heading) else f"column {k + 1}"
        what = "a NUL character" if wrong.group() == "\0" else f"half a character (U+{ord(wrong.group()):04X})"
        sheet.faults.append(Fault(file, f"row {number}", column, f"{what} in {found(cell)}", "whole characters"))
        cells[k] = ""
        sheet.spoilt.add((number, k))
    if any(cells) or any(row == number for row, _ in sheet.spoilt):
        sheet.rows.append((number, cells))


def _read_csv(raw: bytes, file: str) -> Sheet:
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        line = raw[: wrong.start].count(b"\n") + 1
        if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
            return _refused(file, "", "text in UTF-16", _AS_UTF_8)
        return _refused(file, f"row {line}", f"byte 0x{raw[wrong.start]:02x}, not text in UTF-8", _AS_UTF_8)
    if "\0" in text:
        row = text[: text.index("\0")].count("\n") + 1
        return _refused(file, f"row {row}", "a NUL character", _AS_UTF_8)
    first = text.split("\n", 1)[0]
    if "\t" in first and "," not in first and ";" not in first:
        return _refused(file, "row 1", "cells separated by tabs", "cells separated by commas or semicolons")
    separator = ";" if first.count(";") > first.count(",") else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    sheet = Sheet()
    try:
        return _take(sheet, file, ([c.strip() for c in cells] for cells in reader))
    except csv.Error as wrong:
        return _refused(
            file, f"row {reader.line_num}", f"a row that does not parse ({wrong})", "cells with paired quotes"
        )


def _read_workbook(raw: bytes, file: str) -> Sheet:
    wanted = "an XLSX workbook as a spreadsheet program saves it"
    trouble = _package_trouble(raw)
    if trouble:
        return _refused(file, "", trouble, wanted)
    sheet = Sheet()
    try:
        book = load_workbook(io.BytesIO(raw), read_only=True, data_only=False, keep_links=False)
        try:
            first = book.worksheets[0]
            # The stated size of a sheet is only a claim.
            first.reset_dimensions()
            rows = first.iter_rows(max_row=MOST_ROWS + 1, max_col=MOST_COLUMNS + 1)
            return _trimmed(_take(sheet, file, (_row(cells, sheet, file) for cells in rows)))
        finally:
            book.close()
    except _UNREADABLE:
        return _refused(
            file, "", "a workbook that cannot be read: damaged, or not saved by a spreadsheet program", wanted
        )


_UNREADABLE = (
    zipfile.BadZipFile,
    InvalidFileException,
    SyntaxError,  # what the XML parsers raise
    KeyError,
    ValueError,
    IndexError,
    TypeError,
    AttributeError,
    OSError,
)
"""What openpyxl lets through when a package is not the workbook it claims to be."""


def _package_trouble(raw: bytes) -> str | None:
    """Why the package is not safe to open, or None. Sizes first, then document types in its XML parts."""
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as package:
            parts = package.infolist()
            unpacked = sum(p.file_size for p in parts)
            if len(parts) > MOST_PARTS or unpacked > MOST_UNPACKED_BYTES:
                return f"a package of {len(parts)} parts and {unpacked} bytes unpacked"
            for part in parts:
                if part.filename.lower().endswith((".xml", ".rels", ".vml")):
                    # A part is read up to its stated size only, so the limit above holds.
                    content = package.read(part)
                    if b"<!DOCTYPE" in content or b"<!ENTITY" in content or b"\0" in content[:400]:
                        return f"a document type or an unusual encoding in {part.filename[:60]!r}"
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, OSError, ValueError):
        return "a file that cannot be read: damaged, protected, or no workbook"
    return None


def _row(cells: tuple[Any, ...], sheet: Sheet, file: str) -> list[str]:
    texts: list[str] = []
    for cell in cells:
        where = f"row {getattr(cell, 'row', '?')}"
        if cell.data_type == "f":
            column = sheet.heading[len(texts)] if len(texts) < len(sheet.heading) else cell.coordinate
            sheet.faults.append(Fault(file, where, column, "a formula", "a value"))
            sheet.spoilt.add((cell.row, len(texts)))
            texts.append("")
        elif cell.data_type == "e":
            column = sheet.heading[len(texts)] if len(texts) < len(sheet.heading) else cell.coordinate
            sheet.faults.append(Fault(file, where, column, f"the error {cell.value}", "a value"))
            sheet.spoilt.add((cell.row, len(texts)))
            texts.append("")
        else:
            texts.append(cell_text(cell.value))
    while texts and not texts[-1]:
        texts.pop()
    return texts


def _trimmed(sheet: Sheet) -> Sheet:
    """A sheet leaves out empty cells at the end of a row; a CSV row may not."""
    width = len(sheet.heading)
    sheet.rows = [(number, cells + [""] * (width - len(cells))) for number, cells in sheet.rows]
    return sheet


def cell_text(value: object) -> str:
    """The text a cell's value would have in a CSV file."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time(0) else value.isoformat(timespec="seconds")
    if isinstance(value, (date, time)):
        return value.isoformat()
    return str(value).strip()
