"""A digest of values that is equal for equal values in every process and on every machine."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence, Set
from dataclasses import fields, is_dataclass
from datetime import date, datetime, time, timedelta
from enum import Enum
from pathlib import PurePath
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np


def fingerprint(value: object) -> str:
    """32 hexadecimal digits. Raises ValueError naming the type of a value that has no content to go by."""
    return hashlib.blake2b(_bytes(value), digest_size=16).hexdigest()


def _bytes(value: object) -> bytes:
    # Every value is its kind, the number of its bytes and these, so that no two values run into each other.
    kind, content = _content(value)
    return f"{kind}:{len(content)}:".encode() + content


def _content(value: Any) -> tuple[str, bytes]:
    if isinstance(value, Enum):
        return _name(type(value)), value.name.encode()
    if value is None or isinstance(value, bool | int | float | str | np.number | np.bool_):
        plain = value.item() if isinstance(value, np.number | np.bool_) else value
        return type(plain).__name__, repr(plain).encode()
    if isinstance(value, bytes):
        return "bytes", value
    if isinstance(value, PurePath):
        return "path", value.as_posix().encode()
    if isinstance(value, datetime | date | time):
        zone = getattr(value, "tzinfo", None)
        return type(value).__name__, value.isoformat().encode() + b"|" + str(zone).encode()
    if isinstance(value, timedelta):
        return "timedelta", repr(value).encode()
    if isinstance(value, ZoneInfo):
        return "zone", str(value.key).encode()
    if isinstance(value, np.ndarray):
        if value.dtype.hasobject:
            return "array", _bytes(value.shape) + _bytes(value.ravel().tolist())
        layout = f"{value.dtype.descr if value.dtype.names else value.dtype.str}|{value.shape}"
        return "array", layout.encode() + b"|" + np.ascontiguousarray(value).tobytes()
    if is_dataclass(value) and not isinstance(value, type):
        parts = [_bytes(f.name) + _bytes(getattr(value, f.name)) for f in fields(value)]
        return _name(type(value)), b"".join(parts)
    if isinstance(value, Mapping):
        return "mapping", b"".join(sorted(_bytes(k) + _bytes(v) for k, v in value.items()))
    if isinstance(value, Set):
        return "set", b"".join(sorted(_bytes(x) for x in value))
    if isinstance(value, Sequence):
        return ("list" if isinstance(value, list) else "sequence"), b"".join(_bytes(x) for x in value)
    raise ValueError(
        f"a {type(value).__name__} has no digest: use plain values, dataclasses, arrays, paths and moments"
    )


def _name(kind: type) -> str:
    return f"{kind.__module__}.{kind.__qualname__}"
