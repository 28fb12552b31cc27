"""What a use case is given: the store, the clock, limits, and what is worth remembering between requests."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from router.domain.network import Network
from router.service.ports import Store


@dataclass(frozen=True, slots=True)
class Limits:
    """What one request may bring or ask."""

    most_upload_bytes: int = 300_000_000
    most_archive_entries: int = 5_000
    most_unpacked_bytes: int = 1_500_000_000
    most_lines: int = 50_000
    most_page: int = 500
    preview_age: timedelta = timedelta(hours=12)
    receipt_age: timedelta = timedelta(days=7)
    most_run_seconds: int = 3_600

    def page(self, asked: int) -> int:
        """How many entries a page gets that was asked for so many."""
        return max(1, min(asked, self.most_page))


class Memory:
    """Remembers values by key, the least used forgotten first. A value is made once even when many ask at a time."""

    def __init__(self, most: int = 12) -> None:
        self._most = most
        self._values: OrderedDict[Hashable, Any] = OrderedDict()
        self._lock = threading.Lock()
        self._making: dict[Hashable, threading.Lock] = {}

    def __len__(self) -> int:
        with self._lock:
            return len(self._values)

    def get(self, key: Hashable, make: Callable[[], Any]) -> Any:
        """The value of the key, made when it is not there. What ``make`` raises is not remembered."""
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
                return self._values[key]
            own = self._making.setdefault(key, threading.Lock())
        try:
            with own:
                with self._lock:
                    if key in self._values:
                        return self._values[key]
                value = make()
                with self._lock:
                    self._values[key] = value
                    while len(self._values) > self._most:
                        self._values.popitem(last=False)
                return value
        finally:
            with self._lock:
                self._making.pop(key, None)


def wall_clock() -> datetime:
    """Now, in UTC."""
    return datetime.now(UTC)


@dataclass(frozen=True)
class Desk:
    """Everything use cases share."""

    store: Store
    cache_dir: Path
    """Where contents of models and their measurements are remembered; may be emptied at any time."""
    clock: Callable[[], datetime] = wall_clock
    limits: Limits = Limits()
    plans_from_now: bool | None = None
    """Plan from the clock's moment; False: from the moment the network file states or the latest event.

    None: from the clock, unless the network says that it is invented.
    """
    memory: Memory = field(default_factory=Memory)
    """Snapshots, plans and networks: few and large."""
    parts: Memory = field(default_factory=lambda: Memory(5_000))
    """Measurements of parts: many and small."""
    surfaces: Memory = field(default_factory=lambda: Memory(16))
    """Facets of parts, for files of plates: a fine mesh takes tens of megabytes."""
    pictures: Memory = field(default_factory=lambda: Memory(64))
    """Parts drawn: up to half a megabyte each."""
    verdicts: Memory = field(default_factory=lambda: Memory(2_000))
    """What sites say to lines pinned to them: small, and as many as there are such lines."""

    def by_the_clock(self, network: Network) -> bool:
        """Whether "now" is the clock's on this network: a real shop is not planned in its file's past."""
        return not network.invented if self.plans_from_now is None else self.plans_from_now
