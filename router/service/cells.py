"""Order lines as cells of the order book: from files and records to cells, and back to a canonical CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace

from router.domain.orders import OrderLine
from router.formats.network_file import NetworkReading
from router.formats.order_book import COLUMNS, REQUIRED, inspect_sheet, read_table
from router.formats.wording import found, one_of
from router.kernel.faults import Fault, FaultyInput
from router.service.records import LineRecord

Cells = Mapping[str, str]
ORDERS_CSV = "orders.csv"


def csv_of(rows: Iterable[Cells]) -> bytes:
    """The order book as FORMAT.md has it: columns in their order, those that nobody fills left out."""
    kept = list(rows)
    used = [c for c in COLUMNS if any(c in row for row in kept)]
    return _table(used, ([row.get(c, "") for c in used] for row in kept)).encode()


def _table(heading: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(heading)
    writer.writerows(rows)
    return out.getvalue()


def column_faults(where: str, cells: Cells) -> list[Fault]:
    """Keys that are no columns of the order book, each with the nearest that is."""
    return [
        Fault("", where, found(name)[1:-1], "a column that is not known", one_of(name, COLUMNS))
        for name in cells
        if name not in COLUMNS
    ]


def read_cells(
    raw: bytes, name: str, network: NetworkReading, models: Sequence[str]
) -> tuple[list[tuple[OrderLine, Cells]], list[Fault]]:
    """Every sound line with its filled cells, and every fault. With faults the lines are not complete."""
    sheet = read_table(raw, name)
    reading = inspect_sheet(sheet, name, network, [m for m in models if "/" not in m])
    by_id = {line.line_id: line for line in reading.lines}
    heading = [h.casefold() for h in sheet.heading]
    sound: list[tuple[OrderLine, Cells]] = []
    for _, cells in sheet.rows:
        row = {h: c for h, c in zip(heading, cells, strict=False) if c and h in COLUMNS}
        line = by_id.get(row.get("line", ""))
        if line is not None:
            sound.append((line, row))
    return sound, list(reading.faults)


def read_one(cells: Cells, network: NetworkReading, models: Sequence[str]) -> tuple[OrderLine, Cells]:
    """One line given as cells by column. Raises FaultyInput with every fault, cells that are wanted and not there too.

    A fault names the cell; there are no rows.
    """
    # A column that is left out is a cell left empty: it is the only line.
    row = {**dict.fromkeys(REQUIRED, ""), **cells}
    sound, faults = read_cells(csv_of([row]), "the line", network, models)
    if faults or not sound:
        raise FaultyInput([replace(f, where="cells") for f in faults])
    return sound[0]


def read_kept(
    lines: Sequence[LineRecord], file: str, network: NetworkReading, models: Collection[str]
) -> tuple[dict[str, OrderLine], list[Fault]]:
    """Lines of the book by name as a network reads them, and every fault, which names its line instead of a row.

    ``models``: kept names. A line with a model of its own is read apart: its unit need not be that of its namesakes.
    """
    own = [x for x in lines if own_name(x.line_id, x.model) in models]
    others = [x for x in lines if own_name(x.line_id, x.model) not in models]
    found: dict[str, OrderLine] = {}
    faults: list[Fault] = []
    for group in [others, *([x] for x in own)]:
        if not group:
            continue
        sound, wrong = read_cells(csv_of(x.cells for x in group), file, network, sorted(models))
        found |= {line.line_id: line for line, _ in sound}
        faults += [replace(f, where=_line_at(group, f.where)) for f in wrong]
    return found, faults


def _line_at(lines: Sequence[LineRecord], where: str) -> str:
    number = where.removeprefix("row ")
    known = number.isdecimal() and 2 <= int(number) < len(lines) + 2  # row 1 is the heading
    return lines[int(number) - 2].line_id if known else where


def own_name(line_id: str, model: str) -> str:
    """Name under which a line keeps a content of its own; no file of an order book can be called so."""
    return f"{line_id}/{model}"


def record_of(line: OrderLine, cells: Cells) -> LineRecord:
    """What is kept of a line."""
    return LineRecord(
        line_id=line.line_id,
        order_id=line.order_id,
        customer=line.customer,
        model=line.model,
        alloy_id=line.alloy_id,
        quantity=line.quantity,
        ship_place=line.ship_to.label(),
        received_at=line.received_at,
        release_at=line.release_at,
        due_date=line.due_date,
        export_control=line.export_control,
        cells=dict(cells),
    )
