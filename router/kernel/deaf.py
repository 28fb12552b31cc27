"""Processes that do not hear an interrupt of the terminal: what it means is their lead's business."""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def born_deaf() -> Iterator[None]:
    """Processes begun meanwhile never hear an interrupt, from their first moment on, nor do those that they begin.

    A handler that such a process sets itself comes too late: by then it has imported for seconds.
    """
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    if "forkserver" in multiprocessing.get_all_start_methods():
        from multiprocessing import resource_tracker

        resource_tracker.ensure_running()  # it unblocks what is blocked here when it is begun in between
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
