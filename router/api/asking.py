"""Who asks, with which version and which key: what routes are given besides their own parameters."""

from __future__ import annotations

import re
from typing import Annotated, Any

from fastapi import Depends, Header, HTTPException, Request
from fastapi.security import HTTPBearer
from fastapi.security.utils import get_authorization_scheme_param

from router.kernel.faults import NotSignedIn, Refused
from router.service.desk import Desk
from router.service.people import SESSION_COOKIE, is_form_word, who
from router.service.receipts import Once
from router.service.records import Actor

PREFIX = "/api/v1"
CSRF_HEADER = "x-csrf-token"
SAFE = ("GET", "HEAD", "OPTIONS")
ACTOR = "platewright.actor"
"""Where in a request's scope the door leaves whoever it has found to be asking."""
_ETAG = re.compile(r'(?:W/)?"(\d{1,12})"')
_bearer = HTTPBearer(auto_error=False, description="A token made on the page *Tokens*, or by `platewright token make`.")


def desk_of(request: Request) -> Desk:
    """The desk of the application."""
    desk: Desk = request.app.state.desk
    return desk


def actor_of(
    request: Request, desk: Annotated[Desk, Depends(desk_of)], token: Annotated[Any, Depends(_bearer)]
) -> Actor:
    """Whoever asks: by a bearer token, or by the session of the pages (which for changes needs the CSRF word too)."""
    known: Actor | None = request.scope.get(ACTOR)
    if known is not None:
        return known
    if token is not None:
        return who(desk, token.credentials, "token")
    session = request.cookies.get(SESSION_COOKIE)
    if not session:
        raise NotSignedIn("send a token as 'Authorization: Bearer ...'")
    actor = who(desk, session, "session")
    if request.method not in SAFE and not is_form_word(session, request.headers.get(CSRF_HEADER, "")):
        raise Refused(f"a change by session needs the header {CSRF_HEADER}")
    return actor


def actor_now(request: Request, desk: Desk) -> Actor:
    """Whoever asks, as of now: for answers that last. Raises NotSignedIn where they are nobody any more."""
    scheme, word = get_authorization_scheme_param(request.headers.get("authorization"))
    if scheme.lower() == "bearer":
        return who(desk, word, "token")
    return who(desk, request.cookies.get(SESSION_COOKIE, ""), "session")


def seen_version(
    if_match: Annotated[str | None, Header(description='Version seen, as the ETag of an answer, e.g. "3".')] = None,
) -> int:
    """The version in If-Match: 428 without, 400 for what is none."""
    if if_match is None:
        raise HTTPException(428, 'send If-Match with the ETag you saw, e.g. If-Match: "3"')
    match = _ETAG.fullmatch(if_match.strip())
    if match is None:
        raise HTTPException(400, 'If-Match is an ETag of ours, e.g. "3"')
    return int(match[1])


def etag(version: int) -> dict[str, str]:
    """The header that names a version."""
    return {"ETag": f'"{version}"'}


IdempotencyKey = Annotated[
    str | None,
    Header(
        description="Any word of yours, new for each new request: a request repeated with it is done once.",
        min_length=1,
        max_length=200,
        pattern=r"^[!-~]+$",
    ),
]
Asks = Annotated[Actor, Depends(actor_of)]
AtDesk = Annotated[Desk, Depends(desk_of)]
Seen = Annotated[int, Depends(seen_version)]


def once_of(key: str | None, operation: str, **request: Any) -> Once | None:
    """The key with what was asked."""
    return Once.of(key, {"operation": operation, **request})
