"""What some of the lines ask for on top: which share, on which lines, and never so that no site is left."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from random import Random

from router.domain.network import Network
from router.domain.sites import Step
from scenarios.draft import Draft
from scenarios.reach import Reach

FLIGHT_TRADES = frozenset({"turbomachinery", "space and air"})
MEDICAL_TRADES = frozenset({"dental", "implants"})
CONTROLLED_TRADES = frozenset({"turbomachinery", "space and air", "pumps and valves"})
EXPORT_CODE = "EU-DU"
FLIGHT_CODE, MEDICAL_CODE = "EN-9100", "ISO-13485"
RUSH_MOST_H, RUSH_SINCE_DAYS = 25.0, 6
PENDING_SINCE_DAYS = 11
"""Lines still waiting for the customer's word on a drawing came in within these days (assumption)."""

Ask = Callable[[Draft, Random], Draft | None]
"""The draft with the demand added, or None where it makes no sense."""


@dataclass(frozen=True, slots=True)
class Quota:
    """So large a share of the lines gets the demand (assumption)."""

    name: str
    share: float
    ask: Ask


def share_out(drafts: list[Draft], quotas: tuple[Quota, ...], reach: Reach, rng: Random) -> list[Draft]:
    """Go through the quotas in turn and give each to lines in random order until its share is reached."""
    result = list(drafts)
    for quota in quotas:
        left = round(quota.share * len(result))
        order = list(range(len(result)))
        rng.shuffle(order)
        for k in order:
            if left == 0:
                break
            asked = quota.ask(result[k], rng)
            if asked is not None and _buildable(asked, reach):
                result[k] = asked
                left -= 1
    return result


def _buildable(draft: Draft, reach: Reach) -> bool:
    open_to = reach.sites(draft.wish())
    return bool(open_to & set(draft.approved_sites) if draft.approved_sites else open_to)


def quotas(network: Network, reach: Reach) -> tuple[Quota, ...]:
    """The demands of the order book, in the order in which they are given out."""

    def approve(draft: Draft, rng: Random) -> Draft | None:
        open_to = sorted(reach.sites(draft.wish()))
        if len(open_to) < 2:
            return None
        return replace(draft, approved_sites=tuple(sorted(rng.sample(open_to, rng.randint(1, len(open_to) - 1)))))

    def other_set(draft: Draft, rng: Random) -> Draft | None:
        others = [
            p.parameter_set_id
            for p in network.parameter_sets
            if p.alloy_id == draft.alloy_id and p.parameter_set_id != draft.parameter_set_id
        ]
        return replace(draft, parameter_set_id=rng.choice(others)) if others else None

    return (
        Quota("heat treatment", 0.45, _step(Step.HEAT_TREATMENT)),
        Quota("machining", 0.25, _step(Step.MACHINING)),
        Quota("hip", 0.08, _hip(network)),
        Quota("ct inspection", 0.05, _step(Step.CT_INSPECTION)),
        Quota("accreditation", 0.10, _accredited),
        Quota("export control", 0.06, _controlled),
        Quota("certificate", 0.12, lambda d, rng: replace(d, coupons=rng.choice((1, 2, 2, 3, 4)))),
        Quota("as modelled", 0.04, lambda d, _: replace(d, as_modelled=True)),
        Quota("other parameter set", 0.08, other_set),
        Quota("approved sites", 0.04, approve),
        Quota("own plate", 0.03, lambda d, _: replace(d, own_plate=True) if d.machine_h >= 4 else None),
        Quota("may split", 0.05, lambda d, _: replace(d, may_split_sites=True) if _splittable(d) else None),
        Quota("pending", 0.05, _pending(network.now)),
    )


def rush(now: datetime) -> Quota:
    """Small lines of the last days. Given out before the rest, since a rush keeps clear of the slow steps."""

    def ask(draft: Draft, rng: Random) -> Draft | None:
        recent = now - draft.received_at <= timedelta(days=RUSH_SINCE_DAYS)
        return replace(draft, rush=True) if recent and draft.machine_h <= RUSH_MOST_H else None

    return Quota("rush", 0.12, ask)


def _pending(now: datetime) -> Ask:
    def ask(draft: Draft, rng: Random) -> Draft | None:
        recent = now - draft.received_at <= timedelta(days=PENDING_SINCE_DAYS)
        return replace(draft, pending=True) if recent and not draft.rush else None

    return ask


def _step(step: Step) -> Ask:
    slow = step in (Step.CT_INSPECTION, Step.MACHINING)

    def ask(draft: Draft, rng: Random) -> Draft | None:
        if draft.rush and slow:
            return None
        return replace(draft, steps=draft.steps | {step})

    return ask


def _hip(network: Network) -> Ask:
    def ask(draft: Draft, rng: Random) -> Draft | None:
        if draft.rush or network.alloy[draft.alloy_id].family not in ("nickel", "titanium", "cobalt"):
            return None
        return replace(draft, steps=draft.steps | {Step.HIP})

    return ask


def _accredited(draft: Draft, rng: Random) -> Draft | None:
    if draft.trade in MEDICAL_TRADES:
        return replace(draft, accreditations=(MEDICAL_CODE,))
    return replace(draft, accreditations=(FLIGHT_CODE,)) if draft.trade in FLIGHT_TRADES else None


def _controlled(draft: Draft, rng: Random) -> Draft | None:
    return replace(draft, export_control=EXPORT_CODE) if draft.trade in CONTROLLED_TRADES else None


def _splittable(draft: Draft) -> bool:
    return draft.quantity >= 20 and len(draft.approved_sites) != 1
