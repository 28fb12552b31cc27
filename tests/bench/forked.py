"""Run a call in a child process that is ended when time is up: for libraries that do not stop when asked."""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Callable, Iterator
from multiprocessing.connection import Connection
from typing import Any

_HERE = multiprocessing.get_context("fork")


def stream(work: Callable[[Callable[[Any], None]], None], end: float) -> Iterator[Any]:
    """What ``work`` sends, as it comes, until it returns or ``end`` (monotonic) passes; then the child is ended.

    A child that crashes simply sends nothing more.
    """
    mine, its = _HERE.Pipe(duplex=False)
    child = _HERE.Process(target=_serve, args=(work, its), daemon=True)
    child.start()
    its.close()
    try:
        while mine.poll(max(0.0, end - time.monotonic())):
            try:
                yield mine.recv()
            except EOFError:
                return
    finally:
        child.kill()
        child.join()
        mine.close()


def _serve(work: Callable[[Callable[[Any], None]], None], its: Connection) -> None:
    work(its.send)
    its.close()
