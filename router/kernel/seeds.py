"""Child seeds: one root seed, a stream of its own for every phase."""

from __future__ import annotations

import hashlib


def child_seed(seed: int, *names: object) -> int:
    """A 63-bit seed fixed by the root seed and the names of the phase; equal on every platform."""
    text = "\x1f".join([str(seed), *map(str, names)])
    return int.from_bytes(hashlib.blake2b(text.encode(), digest_size=8).digest(), "big") >> 1
