"""People and tokens, and the trail of what was done."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Path, Query, Response
from pydantic import BaseModel, Field, StringConstraints

from router.api.asking import Asks, AtDesk, IdempotencyKey, Seen, etag, once_of
from router.api.book import FINE, Text
from router.api.problems import CHANGES, READS, WRITES
from router.api.words import Asked
from router.service import people as use
from router.service.ports import Secret
from router.service.records import Person, Role, TrailRecord
from router.service.trail import list_trail

router = APIRouter(tags=["People"])
Names = Annotated[list[Annotated[str, StringConstraints(max_length=100, pattern=r"^[^\x00]*$")]], Field(max_length=200)]
PersonId = Annotated[int, Path(ge=1, le=2**31 - 1)]


class PersonView(BaseModel):
    """Somebody with a log-in."""

    person_id: int
    name: str
    role: Role
    sites: list[str]
    cleared_codes: list[str]
    active: bool
    must_change_password: bool
    version: int


def _view(person: Person) -> PersonView:
    listed = {"sites": sorted(person.sites), "cleared_codes": sorted(person.cleared_codes)}
    return PersonView.model_validate({**asdict(person), **listed})


class Rights(Asked):
    """What somebody may."""

    role: Role
    sites: Names = Field(default=[])
    cleared_codes: Names = Field(default=[])
    active: bool = True


class NewPerson(Rights):
    """Somebody to add."""

    name: Annotated[str, StringConstraints(min_length=1, max_length=60, pattern=r"^[^\x00-\x1f]+$")]


class WithPassword(BaseModel):
    """A person and the one-time password, shown this once."""

    person: PersonView
    password: str
    remarks: list[str] = Field(default=[], description="what may be a slip, e.g. a code that no line of the book has")


class ChangedPerson(PersonView):
    """A person just changed, with remarks as on one added."""

    remarks: list[str]


@router.get("/me", responses=READS)
def me(actor: Asks) -> PersonView:
    """Who is asking."""
    return _view(actor.person)


@router.get("/people", responses=READS)
def people(desk: AtDesk, actor: Asks) -> list[PersonView]:
    """Everybody with a log-in."""
    return [_view(p) for p in use.list_people(desk, actor)]


@router.post("/people", responses=WRITES, status_code=201)
def add(body: NewPerson, desk: AtDesk, actor: Asks, idempotency_key: IdempotencyKey = None) -> WithPassword:
    """Add somebody. The one-time password is in this answer only: with a key used before, 409 tells who it was."""
    once = once_of(idempotency_key, "add person", **body.model_dump(mode="json"))
    made = use.add_person(desk, actor, body.name, body.role, body.sites, body.cleared_codes, once)
    remarks = list(use.remarks_on(desk, actor, made.person))
    return WithPassword(person=_view(made.person), password=made.password, remarks=remarks)


@router.put("/people/{person_id}", responses={**FINE, **CHANGES})
def change(
    person_id: PersonId, body: Rights, seen: Seen, desk: AtDesk, actor: Asks, response: Response
) -> ChangedPerson:
    """Change what somebody may."""
    person = use.change_person(desk, actor, person_id, seen, body.role, body.sites, body.cleared_codes, body.active)
    response.headers.update(etag(person.version))
    return ChangedPerson(**_view(person).model_dump(), remarks=list(use.remarks_on(desk, actor, person)))


@router.post("/people/{person_id}/reset-password", responses=WRITES)
def reset(person_id: PersonId, desk: AtDesk, actor: Asks, idempotency_key: IdempotencyKey = None) -> WithPassword:
    """A new one-time password, shown in this answer only: with a key used before, 409 tells whose it was."""
    once = once_of(idempotency_key, "reset password", person_id=person_id)
    made = use.reset_password(desk, actor, person_id, once)
    return WithPassword(person=_view(made.person), password=made.password)


class TokenView(BaseModel):
    """A token without its text."""

    sha256: str
    name: str
    scopes: list[str]
    made_at: datetime
    used_at: datetime
    ends_at: datetime


class NewToken(Asked):
    """A token to make."""

    name: Annotated[str, StringConstraints(min_length=1, max_length=60, pattern=r"^[^\x00]*\S[^\x00]*$")]
    scopes: list[Literal["read", "book", "plan", "floor", "admin"]] = Field(min_length=1, max_length=5)
    days: Annotated[int, Field(ge=1, le=366)] = 90


class TokenMade(BaseModel):
    """A token and its text, shown this once."""

    token: TokenView
    text: str


def _token(secret: Secret) -> TokenView:
    listed = {"scopes": sorted(secret.scopes or ())}
    return TokenView.model_validate({n: getattr(secret, n) for n in TokenView.model_fields} | listed)


@router.get("/tokens", responses=READS)
def tokens(desk: AtDesk, actor: Asks) -> list[TokenView]:
    """Own tokens."""
    return [_token(t) for t in use.own_tokens(desk, actor)]


@router.post("/tokens", responses=WRITES, status_code=201)
def new_token(body: NewToken, desk: AtDesk, actor: Asks, idempotency_key: IdempotencyKey = None) -> TokenMade:
    """Make a token; its text is in this answer only: with a key used before, 409 tells which one it was.

    Takes a log-in, not a token.
    """
    once = once_of(idempotency_key, "new token", **body.model_dump(mode="json"))
    made, text = use.new_token(desk, actor, body.name, body.scopes, body.days, once)
    return TokenMade(token=_token(made), text=text)


@router.delete("/tokens/{sha256}", responses=WRITES, status_code=204)
def revoke(sha256: Annotated[str, Path(pattern=r"^[0-9a-f]{64}$")], desk: AtDesk, actor: Asks) -> None:
    """End an own token."""
    use.revoke_token(desk, actor, sha256)


@router.get("/trail", responses=READS)
def trail(
    desk: AtDesk,
    actor: Asks,
    before: Annotated[int | None, Query(ge=1, le=2**31 - 1)] = None,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
    subject: Annotated[Text, Query()] = "",
) -> list[TrailRecord]:
    """Entries, newest first."""
    return list_trail(desk, actor, before, limit, subject)
