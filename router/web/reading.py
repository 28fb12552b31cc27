"""Who reads a page and how: the person signed in, the units and the look chosen by cookie."""

from __future__ import annotations

import secrets
from dataclasses import dataclass, replace
from typing import Annotated, Literal, cast
from urllib.parse import quote, unquote, unquote_plus

from fastapi import Depends, Path, Query, Request
from fastapi.routing import APIRoute

from router.formats.wording import found, one_of
from router.kernel.faults import Fault, FaultyInput, NotSignedIn, Refused
from router.kernel.names import nearest
from router.kernel.texts import unkeepable
from router.report.measures import Measures
from router.service import people
from router.service.desk import Desk
from router.service.records import Actor
from router.web.own_clock import OwnClock, own_clock

LOOK_COOKIE, UNITS_COOKIE, CLOCK_COOKIE, NOTICE_COOKIE, VISIT_COOKIE = (
    "platewright_look",
    "platewright_units",
    "platewright_clock",
    "platewright_notice",
    "platewright_visit",
)
PASSWORD_PAGE = "/password"

_MOST_NAMED = 3
MOST_NUMBER = 2**31 - 1
"""Numbers of plans, events, people and editions are no larger in any database."""
NumberInPath = Annotated[int, Path(ge=0, le=MOST_NUMBER)]
NumberAsked = Annotated[int, Query(ge=0, le=MOST_NUMBER)]

Look = Literal["system", "light", "dark"]
Units = Literal["metric", "inch"]


@dataclass(frozen=True, slots=True)
class Choices:
    """How pages are to look for this browser."""

    look: Look = "system"
    units: Units = "metric"

    @property
    def measures(self) -> Measures:
        """How lengths, areas, masses and distances are written on every page."""
        return Measures(self.units == "inch")


@dataclass(frozen=True, slots=True)
class Reader:
    """A request for a page by somebody who is signed in."""

    desk: Desk
    actor: Actor
    choices: Choices
    clock: OwnClock
    """What has no site of its own is told on it."""
    session: str
    path: str
    query: str
    notice: str
    """What the last change came to, shown once."""
    passed_over: tuple[str, ...] = ()
    """Words of the address that the page does not know, each in a sentence; the page is as without them."""

    @property
    def token(self) -> str:
        """Put in every form; a form without it changes nothing."""
        return people.form_word(self.session)

    def without(self, said: str) -> Reader:
        """The same reader, told of something in the address that was passed over."""
        return replace(self, passed_over=(*self.passed_over, said))


class MustChangePassword(NotSignedIn):
    """The one-time password has to be changed before anything else."""


class OutOfDate(Refused):
    """A form that no page of this log-in made."""


def new_visit() -> str:
    """A secret for the forms of somebody who is not signed in yet."""
    return secrets.token_urlsafe(24)


def check_token(secret: str, given: object) -> None:
    """Raises OutOfDate when a form was not made by a page of this log-in."""
    if not secret or not isinstance(given, str) or not people.is_form_word(secret, given):
        raise OutOfDate("It was made before you signed in, or elsewhere.")


def refuse_unkeepable(*texts: str) -> None:
    """Raises FaultyInput for a text no database takes. Said here once, before anything is looked up by it."""
    faults = [Fault("request", "", "", wrong, "text without it") for wrong in map(unkeepable, texts) if wrong]
    if faults:
        raise FaultyInput(faults)


def choices(request: Request) -> Choices:
    """Look and units by cookie; anything unknown counts as not chosen."""
    look, units = request.cookies.get(LOOK_COOKIE), request.cookies.get(UNITS_COOKIE)
    return Choices(
        cast(Look, look) if look in ("light", "dark") else "system",
        "inch" if units == "inch" else "metric",
    )


def desk_of(request: Request) -> Desk:
    """The desk the application was made with."""
    return cast(Desk, request.app.state.desk)


def signed_in(request: Request) -> Reader:
    """The reader of this request. Raises NotSignedIn; Refused while a password has to be changed first."""
    refuse_unkeepable(request.scope["path"], unquote_plus(request.url.query))
    session = request.cookies.get(people.SESSION_COOKIE, "")
    if not session:
        raise NotSignedIn("Sign in to see this page.")
    desk = desk_of(request)
    actor = people.who(desk, session, "session")
    if actor.person.must_change_password and request.url.path not in (PASSWORD_PAGE, "/sign-out", "/choices"):
        raise MustChangePassword
    return Reader(
        desk,
        actor,
        choices(request),
        own_clock(desk, actor, request.cookies.get(CLOCK_COOKIE, "")),
        session,
        request.url.path,
        request.url.query,
        unquote(request.cookies.get(NOTICE_COOKIE, ""))[:300],
        _passed_over(request),
    )


def _passed_over(request: Request) -> tuple[str, ...]:
    """Sentences on words of the query that the page does not know: whoever kept an old address still gets the page."""
    route = request.scope.get("route")
    if request.method != "GET" or not isinstance(route, APIRoute):
        return ()
    known = [p.alias for p in route.dependant.query_params]
    unknown = [word for word in request.query_params if word not in known]
    want = f"it knows {one_of('', known).removeprefix('one of ')}" if known else "it takes none"
    return tuple(
        f"{found(word)} in the address is no word of this page and was passed over"
        + (f"; did you mean '{guess}'?" if (guess := nearest(word, known)) else f"; {want}.")
        for word in unknown[:_MOST_NAMED]
    )


def as_notice(text: str) -> str:
    """A sentence in the form a cookie can hold."""
    return quote(text[:300])


SignedIn = Annotated[Reader, Depends(signed_in)]
