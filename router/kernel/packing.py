"""Long texts as compressed bytes; equal texts give equal bytes."""

from __future__ import annotations

import gzip


def packed(text: str) -> bytes:
    """The text, compressed."""
    return gzip.compress(text.encode(), 5, mtime=0)


def unpacked(raw: bytes) -> str:
    """Back again."""
    return gzip.decompress(raw).decode()
