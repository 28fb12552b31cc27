"""One application of API and pages, and the server that runs it with a worker beside it."""

from __future__ import annotations

import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from fastapi import FastAPI

from router.api.app import create_app
from router.bootstrap import Settings, open_desk
from router.service.desk import Desk
from router.web.app import pages_app
from router.worker import Worker


def from_settings(desk: Desk, settings: Settings) -> FastAPI:
    """API, pages and, by the settings, a worker that lives as long as the application."""
    app = create_app(desk, settings.behind_https)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        worker = Worker(desk) if settings.worker else None
        thread = threading.Thread(target=worker.run, name="worker", daemon=True) if worker else None
        if thread:
            thread.start()
        yield
        if worker and thread:
            worker.stop()
            thread.join(15)

    app.router.lifespan_context = lifespan
    app.mount("/", pages_app(desk))
    return app


def from_environment() -> FastAPI:
    """For servers that are given a factory: ``uvicorn --factory router.asgi:from_environment``."""
    settings = Settings.from_environment()
    return from_settings(open_desk(settings), settings)
