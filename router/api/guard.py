"""What holds for every request: an id, a log line, figures, security headers, and a limit on what is sent."""

from __future__ import annotations

import time
import uuid
from collections.abc import Collection

import structlog
from prometheus_client import CollectorRegistry, Counter, Histogram
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from router.api.problems import answer
from router.kernel.numerals import whole_number

_LOG = structlog.get_logger("http")
_METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")
"""Each is a row of figures; any other word a stranger may send counts as one."""
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'; manifest-src 'self'"
)
"""No inline script anywhere. Inline styles are positions of drawings (SVG attributes and bars)."""
_HEADERS = {
    "Content-Security-Policy": _POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "X-Frame-Options": "DENY",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}


class _TooLong(Exception):
    pass


class Guard:
    """ASGI middleware around everything."""

    def __init__(
        self,
        app: ASGIApp,
        most_bytes: int,
        most_upload_bytes: int,
        uploads: Collection[str],
        registry: CollectorRegistry,
        behind_https: bool,
    ) -> None:
        self._app = app
        self._most_bytes, self._most_upload_bytes, self._uploads = most_bytes, most_upload_bytes, uploads
        self._headers = dict(_HEADERS)
        if behind_https:
            self._headers["Strict-Transport-Security"] = "max-age=31536000"
        self._seconds = Histogram(
            "platewright_request_seconds",
            "Time of requests",
            ["method", "route", "status"],
            registry=registry,
            buckets=(0.005, 0.01, 0.025, 0.05, 0.1, 0.15, 0.3, 0.6, 1.2, 2.5, 5, 10),
        )
        self._failures = Counter(
            "platewright_failures_total", "Requests that ended in a fault of ours", registry=registry
        )

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        began = time.perf_counter()
        request_id = uuid.uuid4().hex
        scope.setdefault("state", {})["request_id"] = request_id
        status = 500
        started = ended = too_long = False
        taken = 0
        most_bytes = self._most_upload_bytes if scope["path"] in self._uploads else self._most_bytes

        async def counted() -> Message:
            nonlocal taken, too_long
            message = await receive()
            if message["type"] == "http.request":
                taken += len(message.get("body", b""))
                if taken > most_bytes:
                    too_long = True
                    raise _TooLong
            return message

        async def dressed(message: Message) -> None:
            nonlocal status, started, ended
            if message["type"] == "http.response.start":
                status, started = message["status"], True
                headers = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    headers.setdefault(name, value)
                headers.setdefault("Cache-Control", "no-store")
                headers["X-Request-Id"] = request_id
            elif message["type"] == "http.response.body":
                ended = not message.get("more_body", False)
            await send(message)

        async def answered(message: Message) -> None:
            # Whoever read what was too long may have taken that for a fault of another kind, and answer so.
            if not too_long or started:
                await dressed(message)

        with structlog.contextvars.bound_contextvars(request=request_id):
            try:
                length = Headers(scope=scope).get("content-length", "0")
                if length.isdecimal() and whole_number(length, 0, most_bytes) is None:
                    raise _TooLong
                await self._app(scope, counted, answered)
            except _TooLong:
                too_long = True
            except Exception:
                if not too_long:
                    self._failures.inc()
                    _LOG.exception("request_failed", method=scope["method"], path=scope["path"])
                    if started and not ended:
                        raise
                    if not started:
                        await answer(500, "ours", f"please report request {request_id}")(scope, receive, dressed)
            finally:
                if too_long and not started:
                    problem = answer(413, "too-much", f"at most {most_bytes} bytes a request")
                    await problem(scope, receive, dressed)
                seconds = time.perf_counter() - began
                route = scope.get("route")
                name = getattr(route, "path", "unknown")
                method = scope["method"] if scope["method"] in _METHODS else "other"
                self._seconds.labels(method, name, str(status)).observe(seconds)
                _LOG.info(
                    "request", method=scope["method"], path=scope["path"], status=status, ms=round(1000 * seconds, 1)
                )
