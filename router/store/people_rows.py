"""People, what proves who they are, and attempts at signing in."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from router.service.ports import Secret
from router.service.records import Person, Role
from router.store.rows import Rows
from router.store.tables import attempts, people, secrets

_OPEN_FIELDS = [c for c in people.c if c.name not in ("folded", "password_hash")]


class PeopleRows(Rows):
    """See service.ports.People."""

    def get(self, person_id: int) -> Person | None:
        row = self._one(sa.select(*_OPEN_FIELDS).where(people.c.person_id == person_id))
        return _person(row) if row else None

    def named(self, name: str) -> tuple[Person, str] | None:
        row = self._one(sa.select(people).where(people.c.folded == name.casefold()))
        if row is None:
            return None
        return _person({c.name: row[c.name] for c in _OPEN_FIELDS}), str(row["password_hash"])

    def all(self) -> list[Person]:
        return [_person(row) for row in self._many(sa.select(*_OPEN_FIELDS).order_by(people.c.folded))]

    def hold_administrators(self) -> None:
        # In one order, so that two never wait for each other; SQLite has one writer at a time anyway.
        mine = sa.select(people.c.person_id).where(people.c.role == Role.ADMINISTRATOR.value)
        self._connection.execute(mine.order_by(people.c.person_id).with_for_update())

    def add(self, person: Person, password_hash: str) -> Person:
        values = {**_values(person), "password_hash": password_hash}
        made = self._connection.execute(people.insert().values(values).returning(people.c.person_id))
        return replace(person, person_id=int(made.scalar_one()))

    def change(self, person: Person, seen_version: int, password_hash: str | None = None) -> Person:
        values = _values(person)
        if password_hash is not None:
            values["password_hash"] = password_hash
        self._change(people, person.person_id, seen_version, values, f"person {person.name}")
        return replace(person, version=seen_version + 1)

    def put_secret(self, secret: Secret) -> None:
        values = {f: getattr(secret, f) for f in Secret.__dataclass_fields__}
        values["scopes"] = None if secret.scopes is None else sorted(secret.scopes)
        self._connection.execute(secrets.insert().values(values))

    def secret(self, sha256: str) -> Secret | None:
        row = self._one(sa.select(secrets).where(secrets.c.sha256 == sha256))
        return _secret(row) if row else None

    def secrets(self, person_id: int, kind: str) -> list[Secret]:
        query = sa.select(secrets).where(secrets.c.person_id == person_id, secrets.c.kind == kind)
        return [_secret(row) for row in self._many(query.order_by(secrets.c.made_at))]

    def touch_secret(self, sha256: str, used_at: datetime) -> None:
        self._connection.execute(secrets.update().where(secrets.c.sha256 == sha256).values(used_at=used_at))

    def drop_secret(self, sha256: str) -> None:
        self._connection.execute(secrets.delete().where(secrets.c.sha256 == sha256))

    def drop_secrets(self, person_id: int, kind: str) -> None:
        self._connection.execute(secrets.delete().where(secrets.c.person_id == person_id, secrets.c.kind == kind))

    def forget_secrets(self, now: datetime, idle_since: datetime) -> int:
        idle = sa.and_(secrets.c.kind == "session", secrets.c.used_at < idle_since)
        return self._connection.execute(secrets.delete().where(sa.or_(secrets.c.ends_at <= now, idle))).rowcount

    def note_attempt(self, who: str, at: datetime) -> int:
        made = self._connection.execute(attempts.insert().values(who=who[:200], at=at).returning(attempts.c.attempt_id))
        return int(made.scalar_one())

    def nth_attempt(self, who: str, n: int, since: datetime) -> datetime | None:
        query = sa.select(attempts.c.at).where(attempts.c.who == who[:200], attempts.c.at >= since)
        row = self._one(query.order_by(attempts.c.at.desc()).offset(n - 1).limit(1))
        return row["at"] if row else None

    def forget_attempts(self, who: str) -> None:
        self._connection.execute(attempts.delete().where(attempts.c.who == who[:200]))

    def forget_attempt(self, attempt_id: int) -> None:
        self._connection.execute(attempts.delete().where(attempts.c.attempt_id == attempt_id))

    def forget_attempts_before(self, moment: datetime) -> int:
        return self._connection.execute(attempts.delete().where(attempts.c.at < moment)).rowcount


def _values(person: Person) -> dict[str, Any]:
    return {
        "name": person.name,
        "folded": person.name.casefold(),
        "role": person.role.value,
        "sites": sorted(person.sites),
        "cleared_codes": sorted(person.cleared_codes),
        "active": person.active,
        "must_change_password": person.must_change_password,
        "version": person.version,
    }


def _person(row: Any) -> Person:
    return Person(
        **{
            **row,
            "role": Role(row["role"]),
            "sites": frozenset(row["sites"]),
            "cleared_codes": frozenset(row["cleared_codes"]),
        }
    )


def _secret(row: Any) -> Secret:
    return Secret(**{**row, "scopes": None if row["scopes"] is None else frozenset(row["scopes"])})
