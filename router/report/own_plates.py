"""On which plates a line is, where it is built: a line of many pieces stands on several."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from router.domain.plan import Build, Plan, Shipment
from router.report.wording import NONE, percent


def own_plates(plan: Plan, line_id: str) -> Mapping[str, tuple[Build, ...]]:
    """Builds with the line, by site."""
    return plates_of([s for s in plan.shipments if s.line_id == line_id], {b.build_id: b for b in plan.builds})


def plates_of(shipments: Iterable[Shipment], builds: Mapping[str, Build]) -> Mapping[str, tuple[Build, ...]]:
    """Builds of the shipments of a line, by site, in their order."""
    found: dict[str, dict[str, Build]] = {}
    for shipment in shipments:
        found.setdefault(shipment.site_id, {}).update((b, builds[b]) for b in shipment.build_ids if b in builds)
    return {site_id: tuple(there.values()) for site_id, there in found.items()}


def fills(plates: Sequence[Build]) -> str:
    """How full each of several plates is: ``B1 62 %, B2 40 %``."""
    return ", ".join(f"{b.build_id} {percent(b.fill, 0)}" for b in plates)


def fill_change(before: float | None, after: float | None, to: str = "to") -> str:
    """From what to what a plate is filled; one figure where nothing was there, or nothing changes that is told."""
    if after is None:
        return NONE
    now = percent(after, 0)
    was = now if before is None else percent(before, 0)
    return now if was == now else f"{was} {to} {now}"
