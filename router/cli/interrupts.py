"""What an interrupt does while there is nothing to be kept. Imports next to nothing: it is needed before all else."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

INTERRUPTED = 130
"""Exit code of a command that was given up."""


@contextmanager
def ends_at_once() -> Iterator[None]:
    """Until left, an interrupt ends the process, with nothing said.

    For imports: raised in the middle of one, a KeyboardInterrupt may be taken for a missing library and be lost.
    """
    before = signal.signal(signal.SIGINT, _end)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _end(number: int, frame: FrameType | None) -> None:
    os._exit(INTERRUPTED)
