"""Who asks is settled before anything that was sent is read: bodies of strangers cost nothing."""

from __future__ import annotations

from fastapi import Request
from fastapi.security import HTTPAuthorizationCredentials
from fastapi.security.utils import get_authorization_scheme_param
from starlette.concurrency import run_in_threadpool
from starlette.types import ASGIApp, Receive, Scope, Send

from router.api.asking import ACTOR, SAFE, actor_of
from router.api.problems import answer_away, answer_to
from router.kernel.faults import PlatewrightError
from router.service.desk import Desk
from router.service.ports import StoreAway
from router.service.rights import Operation, require


class Door:
    """ASGI middleware: a change asked of the API by nobody known is answered before its body is taken in.

    Pages need none: their forms are read after their reader is known. Uploads also wait for the right to import.
    """

    def __init__(self, app: ASGIApp, desk: Desk, prefix: str, upload: str) -> None:
        self._app, self._desk, self._prefix, self._upload = app, desk, prefix, upload

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and scope["method"] not in SAFE and scope["path"].startswith(self._prefix):
            try:
                scope[ACTOR] = await run_in_threadpool(self._known, Request(scope))
            except PlatewrightError as error:
                await answer_to(error)(scope, receive, send)
                return
            except StoreAway:
                await answer_away()(scope, receive, send)
                return
        await self._app(scope, receive, send)

    def _known(self, request: Request) -> object:
        scheme, word = get_authorization_scheme_param(request.headers.get("authorization"))
        token = HTTPAuthorizationCredentials(scheme=scheme, credentials=word) if scheme.lower() == "bearer" else None
        actor = actor_of(request, self._desk, token)
        if request.url.path == self._upload:
            require(actor, Operation.IMPORT)
        return actor
