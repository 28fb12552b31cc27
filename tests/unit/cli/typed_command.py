"""What the fixture ``typed`` is, for annotations."""

from __future__ import annotations

from collections.abc import Callable

Typed = Callable[..., tuple[int, str]]
"""Takes words after ``platewright``; answers with the exit code and all that was said."""
