"""One application of API and pages, and the server that runs it with a worker beside it."""

from __future__ import annotations

import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import structlog
from fastapi import FastAPI

from router.api.app import create_app
from router.bootstrap import Settings, open_desk
from router.service.desk import Desk
from router.service.options import open_ahead
from router.web.app import pages_app
from router.worker import Worker

_LOG = structlog.get_logger("server")
_LOOK_EVERY_S = 5.0


def from_settings(desk: Desk, settings: Settings) -> FastAPI:
    """API, pages and, by the settings, a worker that lives as long as the application."""
    app = create_app(desk, settings.behind_https)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        worker = Worker(desk) if settings.worker else None
        thread = threading.Thread(target=worker.run, name="worker", daemon=True) if worker else None
        if thread:
            thread.start()
        over = threading.Event()
        ahead = threading.Thread(target=_keep_open, args=(desk, over), name="live plan", daemon=True)
        ahead.start()
        yield
        over.set()
        if worker and thread:
            worker.stop()
            thread.join(15)

    app.router.lifespan_context = lifespan
    app.mount("/", pages_app(desk))
    return app


def _keep_open(desk: Desk, over: threading.Event) -> None:
    """Have the live plan open, also after another one has been accepted."""
    while not over.wait(_LOOK_EVERY_S):
        try:
            open_ahead(desk)
        except Exception:
            # Whoever asks for the plan is told what is wrong with it.
            _LOG.exception("live_plan_not_opened")


def from_environment() -> FastAPI:
    """For servers that are given a factory: ``uvicorn --factory router.asgi:from_environment``."""
    settings = Settings.from_environment()
    return from_settings(open_desk(settings), settings)
