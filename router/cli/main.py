"""Entry point: an interrupt is no fault, also one that comes while everything is still being imported."""

from __future__ import annotations

import sys

from router.cli.interrupts import INTERRUPTED, ends_at_once


def main() -> None:
    """Run the command that was typed."""
    with ends_at_once():
        from router.cli.commands import run
    try:
        run()
    except KeyboardInterrupt:
        sys.exit(INTERRUPTED)
