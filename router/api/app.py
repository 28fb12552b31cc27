"""The API as one application: routes, problem details, health and figures."""

from __future__ import annotations

from itertools import takewhile
from typing import Any

from fastapi import APIRouter, Depends, FastAPI, Request, Response
from fastapi.responses import PlainTextResponse
from fastapi.security import HTTPAuthorizationCredentials
from prometheus_client import CONTENT_TYPE_LATEST, CollectorRegistry, generate_latest
from starlette.exceptions import HTTPException
from starlette.routing import Match, Route
from starlette.types import Receive, Scope, Send

from router.api import (
    book,
    comparisons,
    floor,
    hold_trials,
    network,
    people,
    plans,
    problems,
    runs,
    site_choices,
    what_ifs,
)
from router.api.asking import PREFIX, actor_of
from router.api.door import Door
from router.api.guard import Guard
from router.api.unread import kept_whole
from router.api.words import known_query
from router.formats.wording import found as found_text
from router.service.desk import Desk
from router.service.rights import Operation, require

_UPLOADS = (f"{PREFIX}/imports", "/orders/import")
"""Where files are brought, by programs and by the page."""
_MOST_PLAIN_BYTES = 5_000_000
"""For everything else that is sent: a form or a network file."""
_LOOPBACK = ("127.0.0.1", "::1", "testclient")
_FORWARDED = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-forwarded-proto", "x-real-ip", "via")
"""Headers of which a proxy sends at least one."""
_METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")
_ABOUT = """
Orders, network, plans and floor of a metal printer with several sites. Money is in whole cents; times carry their zone.
Lists are cut into pages. A change names the version it saw (`If-Match`), a request that makes something may carry an
`Idempotency-Key`. Errors are problem details (RFC 9457). platewright plans work; it does not replace local codes, the
machine maker's instructions or a licensed engineer's release.
"""


def create_app(desk: Desk, behind_https: bool = False, registry: CollectorRegistry | None = None) -> FastAPI:
    """The application; it serves the API, health and figures. Pages are mounted beside it."""
    registry = registry or CollectorRegistry()
    app = FastAPI(title="platewright", version="1", description=_ABOUT, docs_url=None, redoc_url=None)
    app.state.desk = desk
    api = APIRouter(prefix=PREFIX, dependencies=[Depends(known_query), Depends(kept_whole)])
    for module in (book, network, plans, runs, what_ifs, comparisons, hold_trials, site_choices, floor, people):
        api.include_router(module.router)
    app.include_router(api)
    app.include_router(_health(registry))
    # After all that is there, before anything mounted beside it: what programs ask for is answered as to programs.
    for path in ("/api", "/api/{rest:path}"):
        app.router.routes.append(_NowhereRoute(path, _Nowhere(), include_in_schema=False))
    problems.install(app)
    app.add_middleware(Door, desk=desk, prefix=f"{PREFIX}/", upload=_UPLOADS[0])
    app.add_middleware(
        Guard,
        most_bytes=_MOST_PLAIN_BYTES,
        most_upload_bytes=desk.limits.most_upload_bytes + 1_000_000,
        uploads=_UPLOADS,
        registry=registry,
        behind_https=behind_https,
    )
    _document(app)
    return app


class _NowhereRoute(Route):
    """Where the operations end."""


class _Nowhere:
    """Answers what no operation does: 404, or 405 where the address takes other methods."""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        taken = [method for method in _METHODS if _takes(scope, method)]
        if taken:
            raise HTTPException(405, headers={"Allow": ", ".join(taken)})
        asked = found_text(scope["path"])
        raise HTTPException(404, f"there is nothing at {asked}; /openapi.json lists every address of this interface")


def _takes(scope: Scope, method: str) -> bool:
    """Whether an operation of that method is at the address asked for, whichever of its routes that is."""
    operations = takewhile(lambda route: not isinstance(route, _NowhereRoute), scope["app"].router.routes)
    return any(route.matches({**scope, "method": method})[0] is Match.FULL for route in operations)


def _document(app: FastAPI) -> None:
    """Put the problem schema into the document and leave out the framework's own idea of a validation error."""
    plain = app.openapi

    def document() -> dict[str, Any]:
        if app.openapi_schema is None:
            made = plain()
            schemas = made["components"]["schemas"]
            for gone in ("HTTPValidationError", "ValidationError"):
                schemas.pop(gone, None)
            problem = problems.Problem.model_json_schema(ref_template="#/components/schemas/{model}")
            schemas |= problem.pop("$defs", {})
            schemas["Problem"] = problem
            app.openapi_schema = made
        return app.openapi_schema

    app.openapi = document  # type: ignore[method-assign]


def _health(registry: CollectorRegistry) -> APIRouter:
    routes = APIRouter(tags=["Health"], include_in_schema=False)

    @routes.get("/health/live")
    def live() -> PlainTextResponse:
        """The process answers."""
        return PlainTextResponse("alive")

    @routes.get("/health/ready")
    def ready(request: Request) -> PlainTextResponse:
        """The database answers too."""
        fine = request.app.state.desk.store.ready()
        return PlainTextResponse("ready" if fine else "the database does not answer", 200 if fine else 503)

    @routes.get("/metrics")
    def metrics(request: Request) -> Response:
        """Prometheus figures: freely on the same machine, with a token of scope admin from elsewhere."""
        # What a proxy hands on comes from this machine as well, and is from elsewhere all the same.
        handed_on = any(name in request.headers for name in _FORWARDED)
        if handed_on or request.client is None or request.client.host not in _LOOPBACK:
            token = request.headers.get("authorization", "").removeprefix("Bearer ")
            credentials = HTTPAuthorizationCredentials(scheme="Bearer", credentials=token) if token else None
            require(actor_of(request, request.app.state.desk, credentials), Operation.SEE_TRAIL)
        return Response(generate_latest(registry), media_type=CONTENT_TYPE_LATEST)

    return routes
