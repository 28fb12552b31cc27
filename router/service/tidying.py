"""What is over is forgotten: attempts at signing in, sessions and tokens, receipts, previews."""

from __future__ import annotations

from collections.abc import Mapping

from router.service.desk import Desk
from router.service.people import ATTEMPTS_COUNT_FOR, SESSION_IDLE


def tidy(desk: Desk) -> Mapping[str, int]:
    """Drop everything that no longer means anything; how much of each kind. Safe to do at any time, by anybody."""
    now = desk.clock()
    with desk.store.begin() as work:
        return {
            "attempts": work.people.forget_attempts_before(now - ATTEMPTS_COUNT_FOR),
            "secrets": work.people.forget_secrets(now, now - SESSION_IDLE),
            "receipts": work.receipts.forget_before(now - desk.limits.receipt_age),
            "previews": work.previews.forget_before(now - desk.limits.preview_age),
        }
