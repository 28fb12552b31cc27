"""The pages as one application, to be mounted beside the API."""

from __future__ import annotations

from fastapi import FastAPI, Request
from fastapi.responses import Response

from router.service.desk import Desk
from router.web import (
    floor,
    hold_trial,
    network,
    orders,
    people,
    plans,
    plates,
    runs,
    schedule,
    sign_in,
    site_choice,
    today,
    troubles,
    what_if,
)
from router.web.assets import by_path

ROUTES = tuple(
    module.routes
    for module in (
        sign_in,
        today,
        orders,
        plans,
        runs,
        schedule,
        plates,
        floor,
        network,
        site_choice,
        hold_trial,
        what_if,
        people,
    )
)
"""Routers of the pages; every page module adds its own."""


def pages_app(desk: Desk, behind_https: bool = False) -> FastAPI:
    """All pages over one desk. Security headers and request ids are the business of the application around it."""
    app = FastAPI(title="platewright pages", docs_url=None, redoc_url=None, openapi_url=None)
    app.state.desk = desk
    app.state.behind_https = behind_https
    troubles.install(app)
    app.add_api_route("/static/{name}", _static, methods=["GET"], include_in_schema=False)
    for routes in ROUTES:
        app.include_router(routes)
    return app


def _static(request: Request, name: str) -> Response:
    asset = by_path().get(f"/static/{name}")
    if asset is None:
        return troubles.shown(request, troubles.Trouble(404, "Not here", "There is no such file."), "")
    return Response(
        asset.content, media_type=asset.media_type, headers={"Cache-Control": "public, max-age=31536000, immutable"}
    )
