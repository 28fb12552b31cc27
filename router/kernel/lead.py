"""Processes that others begin end with the one that began them, or at its word."""

from __future__ import annotations

import multiprocessing
import os
import threading
from multiprocessing.connection import Connection, wait


def end_with_the_lead(word: Connection | None = None) -> None:
    """From now on this process ends, whatever it does, as soon as the process that began it is gone.

    Killed, a lead tells nobody, and its queues stay open. ``word``: the reading end of a pipe; anything that comes
    through it, and its end, ends this process too. In a process that nobody began nothing happens.
    """
    lead = multiprocessing.parent_process()
    if lead is None:
        return
    ends: list[Connection | int] = [lead.sentinel] if word is None else [lead.sentinel, word]
    if wait(ends, 0):
        os._exit(1)  # said while this process was being begun: not even its first task is done
    threading.Thread(target=_watch, args=(ends,), name="ends-with-lead", daemon=True).start()


def _watch(ends: list[Connection | int]) -> None:
    wait(ends)
    os._exit(1)
