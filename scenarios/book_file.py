"""Writing an order book as CSV (columns: ``router/formats/FORMAT.md``)."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import datetime, tzinfo

from router.domain.orders import OrderLine

COLUMNS = (
    "line",
    "order",
    "customer",
    "model",
    "unit",
    "alloy",
    "parameter_set",
    "quantity",
    "ship_to",
    "ship_country",
    "received",
    "release",
    "due",
    "condition",
    "coupons",
    "export_control",
    "accreditations",
    "approved_sites",
    "own_plate",
    "may_split_sites",
    "as_modelled",
    "late_per_day",
)


def book_text(lines: Sequence[OrderLine], zone: tzinfo) -> str:
    """The whole file; times with the offset they have in the zone."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for line in lines:
        writer.writerow(_row(line, zone))
    return stream.getvalue()


def _row(line: OrderLine, zone: tzinfo) -> tuple[str, ...]:
    def moment(value: datetime) -> str:
        return value.astimezone(zone).isoformat(timespec="minutes")

    def words(values: Sequence[str]) -> str:
        return "; ".join(values)

    def switch(value: bool) -> str:
        return "yes" if value else "no"

    return (
        line.line_id,
        line.order_id,
        line.customer,
        line.model,
        line.unit if line.model.lower().endswith(".stl") else "",
        line.alloy_id,
        line.parameter_set_id,
        str(line.quantity),
        line.ship_to.name,
        line.ship_to.country,
        moment(line.received_at),
        moment(line.release_at),
        line.due_date.isoformat(),
        words(line.steps),
        str(line.coupons),
        line.export_control or "",
        words(line.accreditations),
        words(line.approved_sites),
        switch(line.own_plate),
        switch(line.may_split_sites),
        switch(line.as_modelled),
        f"{line.late_cents_per_day / 100:.2f}",
    )
