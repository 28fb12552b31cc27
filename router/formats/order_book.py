"""Reads the order book into order lines, or says everything that is wrong with it. See FORMAT.md."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from router.domain.orders import OrderLine
from router.domain.places import Place
from router.domain.sites import Step
from router.formats.countries import country_names
from router.formats.gazetteer import PlaceNotResolved
from router.formats.model_order import UNITS, OrderRecord
from router.formats.network_file import NetworkReading
from router.formats.network_refs import holiday_calendars
from router.formats.order_cells import Sheet, read_sheet
from router.formats.order_objects import read_objects
from router.formats.places import resolve_place
from router.formats.validation import describe
from router.formats.wording import found, one_of
from router.kernel.faults import Fault, told_once
from router.kernel.names import nearest

COLUMNS = tuple(OrderRecord.model_fields)
REQUIRED = tuple(name for name, info in OrderRecord.model_fields.items() if info.is_required())


@dataclass(frozen=True)
class OrderReading:
    """Lines that could be read, the unit of every model file named, and all faults."""

    lines: tuple[OrderLine, ...]
    units: Mapping[str, str]
    faults: tuple[Fault, ...]


def inspect_orders(
    raw: bytes, file: str, network: NetworkReading, models: Sequence[str], links: Collection[str] = ()
) -> OrderReading:
    """Read every row. ``models`` are the file names in the folder models, ``links`` those that lead out of it.

    Faults of a row do not hide those of other rows; a line is made only when the network is faultless too.
    """
    return inspect_sheet(read_table(raw, file), file, network, models, links)


def read_table(raw: bytes, file: str) -> Sheet:
    """The rows of CSV, of a workbook or of JSON, told by the ending of its name."""
    return read_objects(raw, file) if file.lower().endswith(".json") else read_sheet(raw, file)


def inspect_sheet(
    sheet: Sheet, file: str, network: NetworkReading, models: Sequence[str], links: Collection[str] = ()
) -> OrderReading:
    """The same of a table that is read already."""
    faults = list(sheet.faults)
    columns = _columns(sheet, file, faults)
    lines: list[OrderLine] = []
    units: dict[str, str] = {}
    first_row: dict[str, int] = {}
    unit_row: dict[str, int] = {}
    if sheet.heading and not sheet.rows:
        faults.append(Fault(file, "", "", "no rows below the heading", "at least one order line"))
    for number, cells in sheet.rows:
        row = _Row(file, f"row {number}", faults)
        if len(cells) != len(sheet.heading):
            row.fault("", f"{len(cells)} cells", f"{len(sheet.heading)}, as many as the heading has")
            continue
        data = {name: cells[k] for name, k in columns.items() if cells[k]}
        spoilt = {name for name, k in columns.items() if (number, k) in sheet.spoilt}
        for name in [n for n, text in data.items() if text.startswith("=")]:
            row.fault(name, found(data.pop(name)), "a value, not a formula")
            spoilt.add(name)
        before = len(faults)
        record = _record(data, row, network, columns, spoilt)
        _references(data, row, network, models, links)
        place = _place(data, row)
        line = data.get("line")
        if line and first_row.setdefault(line, number) != number:
            row.fault(
                "line", f"{found(line)} a second time (first in row {first_row[line]})", "a name no other line has"
            )
        _unit(data, row, number, units, unit_row)
        if record is not None and place is not None and network.network is not None and len(faults) == before:
            lines.append(_line(record, place, network))
    return OrderReading(tuple(lines), units, told_once(faults))


def _unit(data: Mapping[str, str], row: _Row, number: int, units: dict[str, str], unit_row: dict[str, int]) -> None:
    """Notes the unit of the row's model; one model file has one unit."""
    model, unit = data.get("model"), data.get("unit")
    if model is None:
        return
    if unit in UNITS and model.lower().endswith(".stl"):
        if model in unit_row and units[model] != unit:
            row.fault("unit", found(unit), f"'{units[model]}', as for the same model in row {unit_row[model]}")
        elif model not in unit_row:
            units[model], unit_row[model] = unit, number
    else:
        units.setdefault(model, "mm")


class _Row:
    def __init__(self, file: str, where: str, faults: list[Fault]) -> None:
        self._file, self._where, self._faults = file, where, faults

    def fault(self, column: str, found_text: str, expected: str) -> None:
        self._faults.append(Fault(self._file, self._where, column, found_text, expected))


def _columns(sheet: Sheet, file: str, faults: list[Fault]) -> dict[str, int]:
    """Position of every known column; missing, unknown and repeated ones are faults of the heading."""
    columns: dict[str, int] = {}
    if not sheet.heading:
        return columns
    row = _Row(file, sheet.heading_at, faults)
    for k, heading in enumerate(sheet.heading):
        name = heading.casefold()
        if name not in COLUMNS:
            guess = nearest(name, COLUMNS) if name else None
            hint = f"; did you mean '{guess}'?" if guess else ""
            row.fault(
                heading[:60] or f"column {k + 1}", "a column that is not known", f"one of {', '.join(COLUMNS)}{hint}"
            )
        elif name in columns:
            row.fault(name, f"the column a second time (first in column {columns[name] + 1})", "every column once")
        else:
            columns[name] = k
    for name in REQUIRED:
        if name not in columns:
            row.fault(name, "no such column", f"a column '{name}': {describe(OrderRecord, (name,))}")
    return columns


def _record(
    data: dict[str, str], row: _Row, network: NetworkReading, columns: Mapping[str, int], spoilt: Collection[str]
) -> OrderRecord | None:
    # When the network's time_zone is itself faulty, local times are not blamed for it.
    left_out = bool(network.raw) and network.raw.get("time_zone") is None
    stand_in = network.zone or (None if left_out else ZoneInfo("UTC"))
    try:
        return OrderRecord.model_validate(data, context={"zone": stand_in})
    except ValidationError as error:
        for entry in error.errors(include_url=False, include_input=False):
            name = str(entry["loc"][0]) if entry["loc"] else ""
            if entry["type"] == "missing":
                if name in columns and name not in spoilt:
                    row.fault(name, "nothing", describe(OrderRecord, (name,)))
            elif entry["type"] == "disagrees":
                context = entry["ctx"]
                if context["field"] not in spoilt:
                    row.fault(str(context["field"]), found(context["found"]), str(context["want"]))
            else:
                row.fault(name, found(data.get(name)), str(entry.get("ctx", {}).get("want", entry["msg"])))
        return None


def _references(
    data: Mapping[str, str], row: _Row, network: NetworkReading, models: Sequence[str], links: Collection[str]
) -> None:
    """Names of a row that must be known to the network or be files of the folder."""
    if network.raw:
        alloys = network.alloy_names
        alloy = data.get("alloy")
        if alloy and alloy not in alloys:
            row.fault("alloy", found(alloy), one_of(alloy, alloys, "an alloy of the network"))
        elif alloy and data.get("parameter_set"):
            chosen, own = data["parameter_set"], network.parameter_sets_of(alloy)
            if chosen not in own:
                row.fault("parameter_set", found(chosen), one_of(chosen, own, f"a parameter set of {alloy}"))
        sites = network.site_names
        for site in (w.strip() for w in data.get("approved_sites", "").split(";")):
            if site and site not in sites:
                row.fault("approved_sites", found(site), one_of(site, sites, "a site of the network"))
    model = data.get("model")
    plain = model is not None and not any(c in model for c in "/\\:") and not model.startswith(".")
    if model and plain and model.lower().endswith((".stl", ".3mf")) and model not in models:
        guess = nearest(model, models)
        hint = f"; did you mean '{guess}'?" if guess else ""
        if model in links:
            row.fault(
                "model",
                f"{found(model)}, a link, which is not there as a file",
                "the file itself: links are not followed",
            )
        else:
            row.fault("model", f"{found(model)}, which is not there", f"a file in the folder models{hint}")


def _place(data: Mapping[str, str], row: _Row) -> Place | None:
    """The place of a row whose cells for it are well formed; otherwise None, told elsewhere."""
    country = data.get("ship_country")
    if country is None:
        return None
    if country not in country_names():
        return None
    if country not in holiday_calendars():
        row.fault("ship_country", found(country), "a country whose public holidays are known, to reckon working days")
        return None
    city, postcode = data.get("ship_to"), data.get("ship_postcode")
    latitude, longitude = _degrees(data.get("ship_lat"), 90), _degrees(data.get("ship_lon"), 180)
    if (latitude is None or longitude is None) and ("ship_lat" in data or "ship_lon" in data or not (city or postcode)):
        return None
    try:
        return resolve_place(country, city, postcode, latitude, longitude)
    except PlaceNotResolved as unknown:
        by_code = postcode is not None and (country == "US" or city is None)
        column, value = ("ship_postcode", postcode) if by_code else ("ship_to", city)
        row.fault(column, found(value), str(unknown))
        return None


def _degrees(text: str | None, most: float) -> float | None:
    try:
        value = float(text or "")
    except ValueError:
        return None
    return value if abs(value) <= most else None


def _line(record: OrderRecord, place: Place, reading: NetworkReading) -> OrderLine:
    network = reading.network
    assert network is not None
    received = record.received.astimezone(UTC)
    return OrderLine(
        line_id=record.line,
        order_id=record.order,
        customer=record.customer,
        model=record.model,
        unit=record.unit or "mm",
        alloy_id=record.alloy,
        parameter_set_id=record.parameter_set or network.alloy[record.alloy].default_parameter_set_id,
        quantity=record.quantity,
        ship_to=place,
        received_at=received,
        release_at=record.release.astimezone(UTC) if record.release else received,
        due_date=record.due,
        steps=tuple(Step(s) for s in record.condition),
        coupons=record.coupons,
        export_control=record.export_control,
        accreditations=record.accreditations,
        approved_sites=record.approved_sites,
        own_plate=record.own_plate,
        may_split_sites=record.may_split_sites,
        as_modelled=record.as_modelled,
        late_cents_per_day=reading.late_cents_per_day if record.late_per_day is None else record.late_per_day,
    )
