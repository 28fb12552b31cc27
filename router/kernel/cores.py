"""How many cores of this machine are ours."""

from __future__ import annotations

import os


def cores() -> int:
    """Cores this process may run on, as far as the system tells; one at the least."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
