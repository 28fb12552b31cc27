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
from router.service.tidying import tidy
from router.web.app import pages_app
from router.worker import Worker

_LOG = structlog.get_logger("server")
_LOOK_EVERY_S = 5.0
_TIDY_EVERY_S = 3_600.0


def from_settings(desk: Desk, settings: Settings) -> FastAPI:
    """API, pages and, by the settings, a worker that lives as long as the application."""
    app = create_app(desk, settings.behind_https)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        worker = Worker(desk, processes=settings.processes) if settings.worker else None
        thread = threading.Thread(target=worker.run, name="worker", daemon=True) if worker else None
        if thread:
            thread.start()
        over = threading.Event()
        for name, does in (("live plan", _keep_open), ("tidying", _keep_tidy)):
            threading.Thread(target=does, args=(desk, over), name=name, daemon=True).start()
        yield
        over.set()
        if worker and thread:
            worker.stop()
            thread.join(15)

    app.router.lifespan_context = lifespan
    app.mount("/", pages_app(desk, settings.behind_https))
    return app


def _keep_open(desk: Desk, over: threading.Event) -> None:
    """Have the live plan open, also after another one has been accepted."""
    while not over.wait(_LOOK_EVERY_S):
        try:
            open_ahead(desk)
        except Exception:
            # Whoever asks for the plan is told what is wrong with it.
            _LOG.exception("live_plan_not_opened")


def _keep_tidy(desk: Desk, over: threading.Event) -> None:
    """Forget what is over, at the start and every hour."""
    while True:
        try:
            _LOG.info("tidied", **tidy(desk))
        except Exception:
            # A database that is away is tidied when it is back.
            _LOG.exception("not_tidied")
        if over.wait(_TIDY_EVERY_S):
            return


def from_environment() -> FastAPI:
    """For servers that are given a factory: ``uvicorn --factory router.asgi:from_environment``."""
    settings = Settings.from_environment()
    return from_settings(open_desk(settings), settings)
