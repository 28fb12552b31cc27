"""Errors to pages: one table for the whole room."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote, urlsplit

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse, Response
from starlette.exceptions import HTTPException

from router.kernel.faults import (
    AlreadyMade,
    Conflict,
    Fault,
    FaultyInput,
    NotFound,
    NotOneself,
    NotSignedIn,
    PlatewrightError,
    Refused,
    Stale,
    TooMuch,
)
from router.service import people
from router.service.ports import StoreAway
from router.web.reading import PASSWORD_PAGE, MustChangePassword, OutOfDate, signed_in
from router.web.rendering import own_address, page, plain_page


@dataclass(frozen=True, slots=True)
class Trouble:
    """How one kind of error is shown."""

    status: int
    heading: str
    advice: str


TABLE: tuple[tuple[type[PlatewrightError], Trouble], ...] = (
    (
        FaultyInput,
        Trouble(422, "This could not be used", "Nothing was changed. Mend what is listed and send it again."),
    ),
    (NotFound, Trouble(404, "Not here", "It may have been removed, or the address may be misspelled.")),
    (
        Stale,
        Trouble(409, "It has changed meanwhile", "Nothing was changed. Load the page again to see how it stands now."),
    ),
    (AlreadyMade, Trouble(409, "It was done before", "Nothing more was changed.")),
    (Conflict, Trouble(409, "That cannot be done as things stand", "Nothing was changed.")),
    (
        OutOfDate,
        Trouble(
            403,
            "This form is out of date",
            "Nothing was changed. Go back, load the page again and send it once more.",
        ),
    ),
    (NotOneself, Trouble(403, "Nobody does this to themselves", "Nothing was changed.")),
    (Refused, Trouble(403, "Not allowed", "Nothing was changed. An administrator can change what you may do.")),
    (TooMuch, Trouble(413, "Too much at once", "Nothing was changed.")),
)


_ONLY_FORMS = Trouble(405, "There is nothing to look at here", "This address takes what a form of another page sends.")
_ONLY_PAGES = Trouble(405, "Nothing can be sent here", "Nothing was changed. This address only shows a page.")


def trouble_of(error: PlatewrightError) -> Trouble:
    """The row of the table for an error."""
    for kind, trouble in TABLE:
        if isinstance(error, kind):
            return trouble
    return Trouble(500, "Something went wrong", "Nothing was changed.")


def install(app: FastAPI) -> None:
    """Lets the table answer for every route of an application."""
    app.add_exception_handler(PlatewrightError, _known)
    app.add_exception_handler(StoreAway, _away)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _unreadable)
    app.add_exception_handler(Exception, _ours)


async def _known(request: Request, error: Exception) -> Response:
    assert isinstance(error, PlatewrightError)
    if isinstance(error, MustChangePassword):
        return RedirectResponse(PASSWORD_PAGE, 303)
    if isinstance(error, NotSignedIn):
        where = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        back = f"?next={quote(where, safe='/')}" if request.method == "GET" and where != "/" else ""
        return RedirectResponse(f"/sign-in{back}", 303)
    faults = error.faults if isinstance(error, FaultyInput) else ()
    return shown(request, trouble_of(error), "" if faults else str(error), faults)


async def _away(request: Request, _: Exception) -> Response:
    trouble = Trouble(503, "The book does not answer", "Nothing was changed. Try again in a moment.")
    # Nobody can be known: whoever asks is kept there too.
    values = {"trouble": trouble, "said": "", "faults": (), "back": ""}
    return plain_page(request, "trouble.html.j2", title=trouble.heading, status=trouble.status, **values)


async def _ours(request: Request, _: Exception) -> Response:
    trouble = Trouble(500, "Something went wrong", "It is a fault of the program, not yours.")
    number = getattr(request.state, "request_id", "")
    said = f"Please report it with the number of this request: {number}" if number else ""
    # Whatever went wrong may be what tells who is asking.
    values = {"trouble": trouble, "said": said, "faults": (), "back": ""}
    return plain_page(request, "trouble.html.j2", title=trouble.heading, status=trouble.status, **values)


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    if error.status_code == 404:
        return shown(request, Trouble(404, "Not here", "There is no page at this address."), "")
    if error.status_code == 405:
        return shown(request, _ONLY_FORMS if request.method in ("GET", "HEAD") else _ONLY_PAGES, "")
    return shown(request, Trouble(error.status_code, "This could not be used", ""), str(error.detail))


async def _unreadable(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    faults = [
        Fault("address", "", ".".join(str(x) for x in e["loc"][1:]), str(e.get("input", ""))[:80], str(e["msg"]))
        for e in error.errors()
    ]
    return shown(request, Trouble(422, "This could not be used", "Nothing was changed."), "", faults)


def _back(request: Request) -> str:
    """The page of this server a form was sent from; empty where there is none."""
    try:
        came = urlsplit(request.headers.get("referer", ""))
    except ValueError:
        return ""
    if request.method != "POST" or came.netloc != request.url.netloc or not came.path:
        return ""
    return own_address(came.path + (f"?{came.query}" if came.query else ""))


def shown(request: Request, trouble: Trouble, said: str, faults: Sequence[Fault] = ()) -> Response:
    """The page of a trouble: with navigation for somebody signed in, without for others."""
    values = {"trouble": trouble, "said": said, "faults": faults, "back": _back(request)}
    if request.cookies.get(people.SESSION_COOKIE):
        try:
            reader = signed_in(request)
        except PlatewrightError:
            pass
        else:
            return page(reader, "trouble.html.j2", title=trouble.heading, here="", status=trouble.status, **values)
    return plain_page(request, "trouble.html.j2", title=trouble.heading, status=trouble.status, **values)
