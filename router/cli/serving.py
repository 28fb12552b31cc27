"""Runs the server and the worker as processes."""

from __future__ import annotations

import errno
import ipaddress
import logging
import os
import signal
import socket
import sys
from collections.abc import Callable
from types import FrameType

import structlog
import uvicorn

from router.bootstrap import Settings, open_desk
from router.cli.interrupts import ends_at_once
from router.kernel.faults import PlatewrightError, Refused, system_words
from router.kernel.private_files import KEEP_FROM_OTHERS
from router.service.desk import Desk
from router.service.people import first_administrator, has_administrator
from router.worker import Worker

_APPLICATION = "router.asgi:from_settings"
_BACKLOG = 2048
"""Connections that may wait, as many as the server itself would let."""


_TRACEBACKS = structlog.processors.ExceptionRenderer(structlog.tracebacks.ExceptionDictTransformer(show_locals=False))
"""Without the values of variables, among which are passwords, secrets of sessions and lines under export control."""


def structured_logs() -> None:
    """One JSON object a line on standard error."""
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso"),
            _TRACEBACKS,
            structlog.processors.JSONRenderer(ensure_ascii=False),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        logger_factory=_to_standard_error,
    )


def _to_standard_error(*_: object) -> structlog.PrintLogger:
    """Standard error as it is when a line is written: the one of before may have been closed meanwhile."""
    return structlog.PrintLogger(sys.stderr)


def run_server(settings: Settings, say: Callable[[str], None]) -> None:
    """Serve until interrupted. Raises Refused to listen beyond this machine while nobody administers the service."""
    structured_logs()
    os.umask(KEEP_FROM_OTHERS)
    listening = _listen(settings)  # first: a taken port must not leave a database and a password behind
    desk = _desk_for(settings)
    password = first_administrator(desk)
    if password is not None:
        say(f"first start: sign in as 'administrator' with the one-time password {password}")
    say(f"platewright on http://{settings.host}:{settings.port}")
    module, _, name = _APPLICATION.partition(":")
    with ends_at_once():
        make = getattr(__import__(module, fromlist=[name]), name)
    application = make(desk, settings)
    server = uvicorn.Server(
        uvicorn.Config(
            application,
            host=settings.host,
            port=settings.port,
            log_config=None,
            access_log=False,
            proxy_headers=settings.behind_https,
            server_header=False,
            timeout_graceful_shutdown=10,
        )
    )
    server.run(sockets=listening)


def _desk_for(settings: Settings) -> Desk:
    """The desk to serve; beyond this machine nothing is made that nobody administers. Raises Refused."""
    if _loopback(settings.host):
        return open_desk(settings)
    refusal = (
        f"listening on {settings.host} takes an administrator who has changed the one-time password;"
        " start on 127.0.0.1 first and sign in"
    )
    try:
        desk = open_desk(settings, there=True)
    except PlatewrightError as missing:
        raise Refused(f"{refusal} ({missing})") from missing
    if not has_administrator(desk):
        raise Refused(refusal)
    return desk


def _listen(settings: Settings) -> list[socket.socket]:
    """The sockets requests come in at, bound. Raises Refused, naming the port, when there is none to be had."""
    bound: list[socket.socket] = []
    trouble: OSError | None = None
    try:
        found = socket.getaddrinfo(settings.host, settings.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    except OSError as wrong:
        found, trouble = [], wrong
    for family, kind, number, _, address in found:
        try:
            one = socket.socket(family, kind, number)
        except OSError as wrong:
            trouble = wrong  # a family the machine does not speak
            continue
        try:
            one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            if family == socket.AF_INET6:
                one.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
            one.bind(address)
            one.listen(_BACKLOG)
        except OSError as wrong:
            one.close()
            trouble = wrong
            if wrong.errno == errno.EADDRINUSE:
                break
            continue
        bound.append(one)
    if trouble is not None and (not bound or trouble.errno == errno.EADDRINUSE):
        for one in bound:
            one.close()
        taken = trouble.errno == errno.EADDRINUSE
        why = (
            "is in use already; stop what uses it or give another --port"
            if taken
            else f"cannot be used: {system_words(trouble)}"
        )
        raise Refused(f"port {settings.port} at {settings.host} {why}") from trouble
    return bound


def _loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def run_worker(settings: Settings) -> None:
    """Work off jobs until told to end. Raises KeyboardInterrupt when it was an interrupt that told."""
    structured_logs()
    os.umask(KEEP_FROM_OTHERS)
    worker = Worker(open_desk(settings), processes=settings.processes)
    told: list[int] = []

    def stop(number: int, frame: FrameType | None) -> None:
        told.append(number)
        worker.stop()

    signal.signal(signal.SIGINT, stop)
    signal.signal(signal.SIGTERM, stop)
    worker.run()
    if signal.SIGINT in told:
        raise KeyboardInterrupt
