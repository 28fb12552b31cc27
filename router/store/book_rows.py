"""Lines, models, network editions, events, receipts and previews."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import asdict, replace
from datetime import UTC, date, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from router.kernel.faults import NotFound
from router.service.ports import SORTS, LineFilter, Receipt
from router.service.records import (
    EventKind,
    EventRecord,
    FormerName,
    LineRecord,
    LineStanding,
    ModelRecord,
    NetworkHead,
    NetworkRecord,
)
from router.store.rows import Rows
from router.store.tables import blobs, events, former_names, lines, models, networks, previews, receipts

_MOST_NUMBER = 2**31 - 1
_LINE_FIELDS = [c for c in lines.c if c.name != "words"]
_EDITION_FIELDS = [c for c in networks.c if c.name != "raw"]
_NAMES_A_QUERY = 1_000
"""A statement of either database takes some ten thousand values at most."""


class LineRows(Rows):
    """See service.ports.Lines."""

    def get(self, line_id: str) -> LineRecord | None:
        row = self._one(sa.select(*_LINE_FIELDS).where(lines.c.line_id == line_id))
        return _line(row) if row else None

    def several(self, line_ids: Collection[str]) -> dict[str, LineRecord]:
        names = sorted(line_ids)
        found: dict[str, LineRecord] = {}
        for at in range(0, len(names), _NAMES_A_QUERY):
            wanted = lines.c.line_id.in_(names[at : at + _NAMES_A_QUERY])
            found |= {row["line_id"]: _line(row) for row in self._many(sa.select(*_LINE_FIELDS).where(wanted))}
        return found

    def all(self) -> list[LineRecord]:
        return [_line(row) for row in self._many(sa.select(*_LINE_FIELDS).order_by(lines.c.line_id))]

    def page(
        self, wanted: LineFilter, sort: str, descending: bool, after: tuple[str, str] | None, limit: int
    ) -> list[LineRecord]:
        column = lines.c[sort if sort in SORTS else SORTS[0]]
        query = sa.select(*_LINE_FIELDS).where(*_conditions(wanted))
        if after is not None:
            value = _typed(column, after[0])
            beyond = column < value if descending else column > value
            query = query.where(sa.or_(beyond, sa.and_(column == value, lines.c.line_id > after[1])))
        order = column.desc() if descending else column.asc()
        return [_line(row) for row in self._many(query.order_by(order, lines.c.line_id).limit(limit))]

    def count(self, wanted: LineFilter) -> int:
        return int(
            self._connection.execute(
                sa.select(sa.func.count()).select_from(lines).where(*_conditions(wanted))
            ).scalar_one()
        )

    def any_beyond(self, codes: Collection[str]) -> bool:
        closed = [x.value for x in LineStanding if x.closed]
        code = lines.c.export_control
        beyond = sa.and_(code.is_not(None), code.not_in(sorted(codes)), lines.c.standing.not_in(closed))
        return bool(self._connection.execute(sa.select(sa.exists().where(beyond))).scalar_one())

    def add(self, lines_to_add: Iterable[LineRecord]) -> None:
        rows = [{**_fields(line), "words": _words(line)} for line in lines_to_add]
        if rows:
            self._connection.execute(lines.insert(), rows)

    def change(self, line: LineRecord, seen_version: int) -> LineRecord:
        values = {**_fields(line), "words": _words(line)}
        self._change(lines, line.line_id, seen_version, values, f"line {line.line_id}")
        return replace(line, version=seen_version + 1)

    def former_names(self) -> list[FormerName]:
        rows = self._many(sa.select(former_names))
        return [FormerName(**{**row, "export_control": row["export_control"] or None}) for row in rows]

    def remember(self, names: Iterable[FormerName]) -> None:
        rows = [{**asdict(x), "export_control": x.export_control or ""} for x in names]
        if rows:
            insert = postgresql.insert(former_names) if self._on_postgres else sqlite.insert(former_names)
            self._connection.execute(insert.on_conflict_do_nothing(), rows)


def _conditions(wanted: LineFilter) -> list[sa.ColumnElement[bool]]:
    found: list[sa.ColumnElement[bool]] = [sa.true()]
    if wanted.codes is not None:
        found.append(sa.or_(lines.c.export_control.is_(None), lines.c.export_control.in_(sorted(wanted.codes))))
    found += [lines.c.words.contains(word.casefold(), autoescape=True) for word in wanted.text.split()]
    for name in ("standing", "alloy_id", "pinned_site"):
        if getattr(wanted, name):
            found.append(lines.c[name] == getattr(wanted, name))
    return found


def _typed(column: sa.Column[Any], text: str) -> Any:
    """The value of a cursor, which travels as text. Raises NotFound for text that is none of the column's."""
    try:
        if isinstance(column.type, sa.Date):
            return date.fromisoformat(text)
        if column.name == "received_at":
            moment = datetime.fromisoformat(text)
            if moment.tzinfo is None:
                raise ValueError("a time without its zone")
            moment.astimezone(UTC)  # the first and the last hours of the calendar are none elsewhere
            return moment
        if isinstance(column.type, sa.Integer):
            number = int(text)
            if not -_MOST_NUMBER <= number <= _MOST_NUMBER:
                raise ValueError("a number beyond the column")
            return number
    except (ValueError, OverflowError) as wrong:
        raise NotFound("no such cursor; start from the first page") from wrong
    return text


def _words(line: LineRecord) -> str:
    return " ".join((line.line_id, line.order_id, line.customer, line.model, line.ship_place)).casefold()


def _fields(line: LineRecord) -> dict[str, Any]:
    values = {c.name: getattr(line, c.name) for c in _LINE_FIELDS}
    values["cells"] = dict(line.cells)
    values["standing"] = line.standing.value
    return values


def _line(row: Any) -> LineRecord:
    return LineRecord(**{**row, "standing": LineStanding(row["standing"])})


class ModelRows(Rows):
    """See service.ports.Models."""

    def by_name(self, name: str) -> ModelRecord | None:
        row = self._one(sa.select(models).where(models.c.name == name))
        return _model(row) if row else None

    def all(self) -> list[ModelRecord]:
        return [_model(row) for row in self._many(sa.select(models).order_by(models.c.name))]

    def content(self, sha256: str) -> bytes | None:
        row = self._one(sa.select(blobs.c.content).where(blobs.c.sha256 == sha256))
        return bytes(row["content"]) if row else None

    def put(self, record: ModelRecord, content: bytes) -> None:
        if self._one(sa.select(blobs.c.sha256).where(blobs.c.sha256 == record.sha256)) is None:
            self._connection.execute(blobs.insert().values(sha256=record.sha256, content=content))
        self._connection.execute(models.delete().where(models.c.name == record.name))
        values = {**asdict(record), "export_codes": list(record.export_codes)}
        self._connection.execute(models.insert().values(values))

    def mark(self, name: str, export_codes: Sequence[str]) -> None:
        self._connection.execute(models.update().where(models.c.name == name).values(export_codes=list(export_codes)))


def _model(row: Any) -> ModelRecord:
    return ModelRecord(**{**row, "export_codes": tuple(row["export_codes"])})


class NetworkRows(Rows):
    """See service.ports.Networks."""

    def latest(self) -> NetworkRecord | None:
        row = self._one(sa.select(networks).order_by(networks.c.version.desc()).limit(1))
        return NetworkRecord(**row) if row else None

    def head(self) -> NetworkHead | None:
        return next(iter(self.heads(1)), None)

    def get(self, version: int) -> NetworkRecord | None:
        row = self._one(sa.select(networks).where(networks.c.version == version))
        return NetworkRecord(**row) if row else None

    def heads(self, limit: int, before: int | None = None) -> list[NetworkHead]:
        query = sa.select(*_EDITION_FIELDS).order_by(networks.c.version.desc()).limit(limit)
        if before is not None:
            query = query.where(networks.c.version < before)
        return [NetworkHead(**row) for row in self._many(query)]

    def add(self, record: NetworkRecord) -> None:
        self._connection.execute(networks.insert().values(**asdict(record)))


class EventRows(Rows):
    """See service.ports.Events."""

    def add(self, event: EventRecord) -> EventRecord:
        values = {**asdict(event), "kind": event.kind.value, "details": dict(event.details)}
        del values["event_id"]
        made = self._connection.execute(events.insert().values(values).returning(events.c.event_id))
        return replace(event, event_id=int(made.scalar_one()))

    def page(self, after: int, limit: int) -> list[EventRecord]:
        query = sa.select(events).where(events.c.event_id > after).order_by(events.c.event_id).limit(limit)
        return [_event(row) for row in self._many(query)]

    def latest(self, before: int | None, limit: int) -> list[EventRecord]:
        query = sa.select(events).order_by(events.c.event_id.desc()).limit(limit)
        if before is not None:
            query = query.where(events.c.event_id < before)
        return [_event(row) for row in self._many(query)]

    def withdrawals(self, after: int) -> list[EventRecord]:
        query = sa.select(events).where(events.c.event_id > after, events.c.kind == EventKind.EVENT_WITHDRAWN.value)
        return [_event(row) for row in self._many(query.order_by(events.c.event_id))]

    def last_id(self) -> int:
        return self._connection.execute(sa.select(sa.func.max(events.c.event_id))).scalar_one() or 0

    def all(self) -> list[EventRecord]:
        return [_event(row) for row in self._many(sa.select(events).order_by(events.c.event_id))]

    def get(self, event_id: int) -> EventRecord | None:
        row = self._one(sa.select(events).where(events.c.event_id == event_id))
        return _event(row) if row else None

    def of_build(self, lasting_id: str) -> list[EventRecord]:
        query = sa.select(events).where(events.c.lasting_id == lasting_id).order_by(events.c.event_id)
        return [_event(row) for row in self._many(query)]


def _event(row: Any) -> EventRecord:
    return EventRecord(**{**row, "kind": EventKind(row["kind"])})


class ReceiptRows(Rows):
    """See service.ports.Receipts."""

    def hold(self, by: str, key: str) -> None:
        # There is no row to lock yet; SQLite has one writer at a time anyway.
        if self._on_postgres:
            whose = sa.func.hashtextextended(f"{len(by)} {by} {key}", 0)
            self._connection.execute(sa.select(sa.func.pg_advisory_xact_lock(whose)))

    def get(self, by: str, key: str) -> Receipt | None:
        row = self._one(sa.select(receipts).where(receipts.c.by == by, receipts.c.key == key))
        return Receipt(**row) if row else None

    def add(self, receipt: Receipt) -> None:
        values = {**asdict(receipt), "answer": dict(receipt.answer)}
        self._connection.execute(receipts.insert().values(values))

    def forget_before(self, moment: datetime) -> int:
        return self._connection.execute(receipts.delete().where(receipts.c.at < moment)).rowcount


class PreviewRows(Rows):
    """See service.ports.Previews."""

    def put(self, import_id: str, by: str, at: datetime, payload: bytes) -> None:
        self._connection.execute(previews.insert().values(import_id=import_id, by=by, at=at, payload=payload))

    def get(self, import_id: str) -> tuple[str, datetime, bytes] | None:
        row = self._one(sa.select(previews).where(previews.c.import_id == import_id))
        return (row["by"], row["at"], bytes(row["payload"])) if row else None

    def drop(self, import_id: str) -> None:
        self._connection.execute(previews.delete().where(previews.c.import_id == import_id))

    def forget_before(self, moment: datetime) -> int:
        return self._connection.execute(previews.delete().where(previews.c.at < moment)).rowcount
