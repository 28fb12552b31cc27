"""A request with a key is done once: repeated, it gets the first answer again."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from router.kernel.faults import AlreadyMade, Conflict
from router.service.desk import Desk
from router.service.ports import Receipt, Work
from router.service.records import Actor


@dataclass(frozen=True, slots=True)
class Once:
    """The key a client gave to a request, and what the request was."""

    key: str
    request_sha256: str

    @classmethod
    def of(cls, key: str | None, request: Mapping[str, Any]) -> Once | None:
        """None without a key."""
        if not key:
            return None
        text = json.dumps(request, sort_keys=True, default=str)
        return cls(key[:200], hashlib.sha256(text.encode()).hexdigest())


def earlier(work: Work, actor: Actor, once: Once | None) -> Mapping[str, Any] | None:
    """The answer given before, to whoever only looks; ``settled`` is for whoever writes.

    Raises Conflict when the key was used for another request.
    """
    if once is None:
        return None
    receipt = work.receipts.get(actor.name, once.key)
    if receipt is None:
        return None
    if receipt.request_sha256 != once.request_sha256:
        raise Conflict(f"the key {once.key!r} was used for another request; take a new key")
    return receipt.answer


def hold_key(work: Work, actor: Actor, once: Once | None) -> None:
    """In a transaction that writes: whoever sent the same key at the same moment waits for its end, or we for theirs.

    Before anything else is waited for (the revision of the book, say), so that two never wait for each other.
    """
    if once is not None:
        work.receipts.hold(actor.name, once.key)


def settled(work: Work, actor: Actor, once: Once | None) -> Mapping[str, Any] | None:
    """The answer given before, asked in the transaction that does the work: done by somebody just now, it is known."""
    hold_key(work, actor, once)
    return earlier(work, actor, once)


def refuse_again(work: Work, actor: Actor, once: Once | None) -> None:
    """For requests whose answers hold a secret, which is kept nowhere. Raises AlreadyMade when it was done before."""
    answer = settled(work, actor, once)
    if answer is not None:
        raise AlreadyMade(answer)


def keep(work: Work, desk: Desk, actor: Actor, once: Once | None, answer: Mapping[str, Any]) -> None:
    """Keep the answer in the transaction that does the work."""
    if once is not None:
        work.receipts.add(Receipt(once.key, actor.name, once.request_sha256, answer, desk.clock()))
