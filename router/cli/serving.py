"""Runs the server and the worker as processes."""

from __future__ import annotations

import ipaddress
import logging
import signal
import sys
from collections.abc import Callable
from types import FrameType

import structlog
import uvicorn

from router.bootstrap import Settings, open_desk
from router.kernel.faults import Refused
from router.service.people import first_administrator, has_administrator
from router.worker import Worker

_APPLICATION = "router.asgi:from_settings"


def structured_logs() -> None:
    """One JSON object a line on standard error."""
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso"),
            structlog.processors.dict_tracebacks,
            structlog.processors.JSONRenderer(ensure_ascii=False),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
    )


def run_server(settings: Settings, say: Callable[[str], None]) -> None:
    """Serve until interrupted. Raises Refused to listen beyond this machine while nobody administers the service."""
    structured_logs()
    desk = open_desk(settings)
    password = first_administrator(desk)
    if password is not None:
        say(f"first start: sign in as 'administrator' with the one-time password {password}")
    if not _loopback(settings.host) and not has_administrator(desk):
        raise Refused(
            f"listening on {settings.host} takes an administrator who has changed the one-time password;"
            " start on 127.0.0.1 first and sign in"
        )
    say(f"platewright on http://{settings.host}:{settings.port}")
    module, _, name = _APPLICATION.partition(":")
    application = getattr(__import__(module, fromlist=[name]), name)(desk, settings)
    uvicorn.run(
        application,
        host=settings.host,
        port=settings.port,
        log_config=None,
        access_log=False,
        proxy_headers=settings.behind_https,
        server_header=False,
        timeout_graceful_shutdown=10,
    )


def _loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def run_worker(settings: Settings) -> None:
    """Work off jobs until interrupted."""
    structured_logs()
    worker = Worker(open_desk(settings))

    def stop(number: int, frame: FrameType | None) -> None:
        worker.stop()

    signal.signal(signal.SIGINT, stop)
    signal.signal(signal.SIGTERM, stop)
    worker.run()
