"""Static files under names that carry a hash of their content, so that a browser may keep them for good."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

from router.web.tones import tone_styles

_TYPES = {"css": "text/css; charset=utf-8", "js": "text/javascript; charset=utf-8", "svg": "image/svg+xml"}


@dataclass(frozen=True, slots=True)
class Asset:
    """One static file: its address on the server, its content and media type."""

    path: str
    content: bytes
    media_type: str


@lru_cache(maxsize=1)
def assets() -> Mapping[str, Asset]:
    """Every static file by its plain name, e.g. ``platewright.css``."""
    made: dict[str, bytes] = {"tones.css": tone_styles().encode()}
    for item in resources.files("router.web").joinpath("static").iterdir():
        if item.name.rpartition(".")[2] in _TYPES:
            made[item.name] = item.read_bytes()
    return {name: _asset(name, content) for name, content in made.items()}


@lru_cache(maxsize=1)
def by_path() -> Mapping[str, Asset]:
    """The same files by address."""
    return {asset.path: asset for asset in assets().values()}


def address(name: str) -> str:
    """Address of a static file, with the hash of its content in it."""
    return assets()[name].path


def _asset(name: str, content: bytes) -> Asset:
    stem, _, ending = name.rpartition(".")
    digest = hashlib.sha256(content).hexdigest()[:12]
    return Asset(f"/static/{stem}.{digest}.{ending}", content, _TYPES[ending])
