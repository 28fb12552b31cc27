"""A result as tables for a spreadsheet: schedule, plates, shipments, options, key figures.

Units are in the column names. Money is in the network's currency with two decimals. Times are ISO 8601, once in UTC
and once in the site's own time.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import fields
from datetime import date, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from router.domain.network import Network
from router.domain.plan import Build, Plan
from router.domain.result import Kpis, Result

Cell = str | int | float | bool | Decimal | datetime | date | None
Row = Sequence[Cell]

KPI_UNITS = {
    "lines_planned": "lines",
    "lines_unplanned": "lines",
    "late_lines": "lines",
    "late_days": "days",
    "on_time_share": "share",
    "builds": "builds",
    "mean_fill": "share of usable plate area",
    "machine_h": "h",
    "changeover_h": "h",
    "shipment_km": "km",
    "tonne_km": "t km",
    "co2e_kg": "kg CO2e",
    "nearest_site_share": "share of lines",
    "mean_lead_days": "days",
    "last_unload": "UTC",
}
"""Unit of every key figure that is not money."""


def csv_text(heading: Sequence[str], rows: Iterable[Row]) -> str:
    """CSV with a heading row, commas and CRLF line ends (RFC 4180)."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(heading)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return out.getvalue()


def _cell(value: Cell) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        text = value.isoformat(timespec="minutes")
        return text.replace("+00:00", "Z") if value.utcoffset() == timedelta(0) else text
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, str):
        # A spreadsheet would run a text that begins like a formula.
        return "'" + value if value[:1] in ("=", "+", "-", "@", "\t", "\r") else value
    return str(value)


def amount(cents: int | None) -> Decimal | None:
    """Currency units of whole cents, exactly, with two decimals."""
    return None if cents is None else Decimal(cents).scaleb(-2)


def schedule_table(plan: Plan, network: Network) -> str:
    """schedule.csv: one row for every activity of every machine, by machine and start."""
    money = network.currency.lower()
    heading = [
        *(
            "build_id",
            "machine_id",
            "site_id",
            "activity",
            "start_utc",
            "end_utc",
            "start_site",
            "end_site",
            "duration_min",
        ),
        *("alloy_id", "parameter_set_id", "pieces", "coupons", "line_ids", "height_mm", "layers", "fill"),
        *(f"build_cost_{money}", f"changeover_cost_{money}", f"plate_steps_cost_{money}", "energy_kwh", "co2e_kg"),
    ]
    rows = [row for build in plan.builds for row in _activities(build, network)]
    return csv_text(heading, sorted(rows, key=lambda r: (str(r[1]), r[4])))


def _activities(build: Build, network: Network) -> Iterator[tuple[Cell, ...]]:
    site = network.site[network.machine[build.machine_id].site_id]
    zone = ZoneInfo(site.time_zone)
    pieces = [p for p in build.pieces if p.line_id is not None]
    lines = "; ".join(dict.fromkeys(str(p.line_id) for p in pieces))
    change = build.changeover
    spans = [("changeover", change.start, change.end)] if change else []
    spans += [
        ("load", build.load_start, build.run_start),
        ("run", build.run_start, build.run_end),
        ("unload", build.unload_start, build.unload_end),
    ]
    for activity, start, end in spans:
        yield (
            *(build.build_id, build.machine_id, site.site_id, activity, start, end),
            *(start.astimezone(zone), end.astimezone(zone), round((end - start) / timedelta(minutes=1))),
            *(network.parameter_set[build.parameter_set_id].alloy_id, build.parameter_set_id),
            *(len(pieces), len(build.pieces) - len(pieces), lines, build.height_mm, build.layers, build.fill),
            # Figures of the build stand with its run only, so that a column can be summed.
            *((amount(build.cost.total_cents) if activity == "run" else None),),
            *((amount(change.cost_cents) if change and activity == "changeover" else None),),
            *((amount(build.plate_steps_cents), build.kwh, build.co2e_kg) if activity == "run" else (None, None, None)),
        )


def plates_table(plan: Plan, network: Network) -> str:
    """plates.csv: where every piece and coupon stands (turn the footprint by the angle, then shift by x and y)."""
    heading = [
        "build_id",
        "machine_id",
        "site_id",
        "place",
        "kind",
        "line_id",
        "orientation",
        "x_mm",
        "y_mm",
        "angle_deg",
    ]
    rows = [
        (
            *(build.build_id, build.machine_id, network.machine[build.machine_id].site_id, number),
            *("coupon" if piece.line_id is None else "piece", piece.line_id),
            *(piece.orientation, piece.x_mm, piece.y_mm, piece.angle_deg),
        )
        for build in plan.builds
        for number, piece in enumerate(build.pieces, start=1)
    ]
    return csv_text(heading, rows)


def shipments_table(plan: Plan, network: Network) -> str:
    """shipments.csv: one row a consignment."""
    money = network.currency.lower()
    heading = [
        *("shipment_id", "line_id", "site_id", "build_ids", "pieces", "carrier_id", "ready_utc", "ready_site"),
        *("dispatch_date", "arrive_date", "late_days", "mass_kg", "chargeable_kg", "distance_km"),
        *(f"freight_{money}", "co2e_kg", f"carbon_{money}", f"late_{money}"),
    ]
    rows = [
        (
            *(s.shipment_id, s.line_id, s.site_id, "; ".join(s.build_ids), s.pieces, s.carrier_id, s.ready_at),
            *(s.ready_at.astimezone(ZoneInfo(network.site[s.site_id].time_zone)), s.dispatch_date, s.arrive_date),
            *(s.late_days, s.mass_kg, s.chargeable_kg, s.distance_km),
            *(amount(s.freight_cents), s.co2e_kg, amount(s.carbon_cents), amount(s.late_cents)),
        )
        for s in plan.shipments
    ]
    return csv_text(heading, rows)


def options_table(result: Result, network: Network) -> str:
    """options.csv: every line at every site, with what it would cost delivered or why it cannot be."""
    money = network.currency.lower()
    heading = [
        *("line_id", "site_id", "possible", "chosen", f"fair_cost_{money}", f"marginal_cost_{money}"),
        *("ready_utc", "ready_site", "arrive_date", "late_days", "co2e_kg", "distance_km", "carrier_id", "machine_id"),
        *("orientation", "joins_build_id", "fill_before", "fill_after", "reasons"),
    ]
    rows = []
    for line in result.options:
        for o in line.sites:
            zone = ZoneInfo(network.site[o.site_id].time_zone)
            rows.append(
                (
                    *(line.line_id, o.site_id, o.possible, o.chosen, amount(o.fair_cents), amount(o.marginal_cents)),
                    *(o.ready_at, o.ready_at.astimezone(zone) if o.ready_at else None, o.arrive_date, o.late_days),
                    *(o.co2e_kg, o.distance_km, o.carrier_id, o.machine_id, o.orientation, o.joins_build_id),
                    *(o.fill_before, o.fill_after, "; ".join(o.reasons)),
                )
            )
    return csv_text(heading, rows)


def kpis_table(result: Result, network: Network) -> str:
    """kpis.csv: every key figure of the plan beside today's habit, with unit and difference."""
    rows: list[Row] = []
    for part in fields(Kpis):
        plan_value, habit_value = getattr(result.kpis, part.name), getattr(result.habit_kpis, part.name)
        name, unit = part.name, KPI_UNITS.get(part.name, "")
        if name.endswith("_cents"):
            name, unit = name.removesuffix("_cents"), network.currency
            plan_value, habit_value = amount(plan_value), amount(habit_value)
        comparable = isinstance(plan_value, (int, float, Decimal)) and isinstance(habit_value, (int, float, Decimal))
        rows.append((name, unit, plan_value, habit_value, plan_value - habit_value if comparable else None))
    rows.append(("bound", network.currency, amount(result.bound_cents), None, None))
    rows.append(("gap", "share of landed cost", result.gap, None, None))
    return csv_text(["figure", "unit", "plan", "habit", "plan_minus_habit"], rows)


def all_tables(result: Result, network: Network) -> dict[str, str]:
    """Text of every table by file name."""
    return {
        "schedule.csv": schedule_table(result.plan, network),
        "plates.csv": plates_table(result.plan, network),
        "shipments.csv": shipments_table(result.plan, network),
        "options.csv": options_table(result, network),
        "kpis.csv": kpis_table(result, network),
    }
