"""The known name that a name nobody knows most likely stands for."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


def nearest(name: str, known: Iterable[str]) -> str | None:
    """The known name a typing error most likely meant, or None."""
    by_fold = {k.casefold(): k for k in known}
    hits = difflib.get_close_matches(name.casefold(), list(by_fold), n=1, cutoff=0.6)
    return by_fold[hits[0]] if hits else None
