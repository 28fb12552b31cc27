"""What every command shares: where it writes, where measured models are kept, and what an interrupt does."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

import platformdirs
from rich.console import Console

out = Console()
err = Console(stderr=True)


def cache_dir() -> Path:
    """Where measured models are remembered between runs."""
    return Path(platformdirs.user_cache_dir("platewright"))


def say_plainly(console: Console, text: str) -> None:
    """Print text as it is: no markup, no wrapping, so that it can be searched and piped."""
    console.print(text, markup=False, highlight=False, soft_wrap=True)


@contextmanager
def stoppable(said: str) -> Iterator[threading.Event]:
    """An event that the first interrupt sets, saying ``said``; a second one is a KeyboardInterrupt."""
    cancel = threading.Event()

    def interrupted(number: int, frame: FrameType | None) -> None:
        if cancel.is_set():
            raise KeyboardInterrupt
        cancel.set()
        err.print(said)

    before = signal.signal(signal.SIGINT, interrupted)
    try:
        yield cancel
    finally:
        signal.signal(signal.SIGINT, before)
