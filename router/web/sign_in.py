"""Signing in and out, the password, and how pages look in this browser."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from router.kernel.faults import Fault, FaultyInput, NotSignedIn, TooOften
from router.service import people
from router.web.forms import TOKEN_FIELD, Form, Posted, read_form
from router.web.reading import (
    CLOCK_COOKIE,
    LOOK_COOKIE,
    PASSWORD_PAGE,
    UNITS_COOKIE,
    VISIT_COOKIE,
    SignedIn,
    check_token,
    desk_of,
    new_visit,
)  # fmt: skip
from router.web.rendering import done, is_secure, own_address, page, plain_page

routes = APIRouter()
_YEAR_S = 365 * 86_400
_REFUSED: dict[int | str, dict[str, Any]] = {
    401: {"description": "Name or password is not right"},
    429: {
        "description": "Too many failed attempts",
        "headers": {"Retry-After": {"description": "seconds to wait", "schema": {"type": "integer"}}},
    },
}


@routes.get("/sign-in")
def ask(request: Request, next: str = "/") -> Response:
    """The form to sign in with."""
    return _form(request, next, "", "")


@routes.post("/sign-in", responses=_REFUSED)
async def sign_in(request: Request) -> Response:
    """Checks name and password; a wrong pair is told without telling which of the two is wrong."""
    form = await read_form(request)
    check_token(request.cookies.get(VISIT_COOKIE, ""), form.text(TOKEN_FIELD))
    return await run_in_threadpool(_try, request, form)


def _try(request: Request, form: Form) -> Response:
    address = request.client.host if request.client else ""
    try:
        _, secret = people.sign_in(desk_of(request), form.text("name"), form.raw("password"), address)
    except NotSignedIn as wrong:
        return _form(request, form.text("next"), form.text("name"), str(wrong), 401)
    except TooOften as wait:
        answer = _form(request, form.text("next"), form.text("name"), str(wait), 429)
        answer.headers["Retry-After"] = str(wait.wait_s)
        return answer
    answer = done(request, own_address(form.text("next") or "/"))
    answer.delete_cookie(VISIT_COOKIE, path="/sign-in")
    return _with_session(request, answer, secret)


def _with_session(request: Request, answer: Response, secret: str) -> Response:
    secure = is_secure(request)
    answer.set_cookie(people.SESSION_COOKIE, secret, path="/", httponly=True, samesite="lax", secure=secure)
    return answer


def _form(request: Request, to: str, name: str, said: str, status: int = 200) -> Response:
    visit = new_visit()
    answer = plain_page(
        request,
        "sign_in.html.j2",
        title="Sign in",
        status=status,
        token=people.form_word(visit),
        next=own_address(to or "/"),
        name=name,
        said=said,
    )
    answer.set_cookie(
        VISIT_COOKIE, visit, max_age=3600, path="/sign-in", httponly=True, samesite="strict",
        secure=is_secure(request),
    )  # fmt: skip
    return answer


@routes.post("/sign-out")
def sign_out(request: Request, reader: SignedIn, form: Posted) -> Response:
    """Ends the session on the server too, so that a copied cookie is worth nothing."""
    people.sign_out(reader.desk, reader.session)
    answer = done(request, "/sign-in")
    answer.delete_cookie(people.SESSION_COOKIE, path="/")
    return answer


@routes.get(PASSWORD_PAGE)
def password(reader: SignedIn) -> Response:
    """The form to change one's password with."""
    return _password_form(reader)


@routes.post(PASSWORD_PAGE)
def change_password(request: Request, reader: SignedIn, form: Posted) -> Response:
    """Changes the password; other sessions of the person end."""
    if form.raw("new") != form.raw("again"):
        fault = Fault("form", "", "new password again", "another text", "the same text as in the field above it")
        return _password_form(reader, (fault,), 422)
    try:
        secret = people.change_password(reader.desk, reader.actor, form.raw("old"), form.raw("new"))
    except FaultyInput as faulty:
        return _password_form(reader, faulty.faults, 422)
    return _with_session(request, done(request, "/", "Password changed."), secret)


def _password_form(reader: SignedIn, faults: tuple[Fault, ...] = (), status: int = 200) -> Response:
    must = reader.actor.person.must_change_password
    return page(reader, "password.html.j2", title="Change password", here="", status=status, must=must, faults=faults)


@routes.post("/choices")
def choose(request: Request, reader: SignedIn, form: Posted) -> Response:
    """Light or dark paper, metric or inch, whose clock; kept in this browser."""
    answer = done(request, form.text("next") or "/")
    for cookie, field, known in (
        (LOOK_COOKIE, "look", ("system", "light", "dark")),
        (UNITS_COOKIE, "units", ("metric", "inch")),
        (CLOCK_COOKIE, "clock", tuple(zone for zone, _ in reader.clock.choices)),
    ):
        if form.text(field) in known:
            answer.set_cookie(
                cookie,
                form.text(field),
                max_age=_YEAR_S,
                path="/",
                samesite="lax",
                secure=is_secure(request),
            )
    return answer
