"""Whether the site a line is pinned to can build it: said when it is pinned, not by the plan that leaves it out."""

from __future__ import annotations

from dataclasses import dataclass, replace

from router.domain.network import Scenario
from router.planning.eligibility import Eligibility
from router.service.desk import Desk
from router.service.floor import played
from router.service.models import parts_of
from router.service.records import LineRecord
from router.service.snapshot import as_decided, as_it_runs, planning_moment
from router.worktime import StaffedTime


@dataclass(frozen=True, slots=True)
class PinnedSite:
    """What the pinned site says to the line, on the network as plans begin with it."""

    site_id: str
    why_not: tuple[str, ...]
    """Why the site cannot build the line; empty: it can."""
    could_build: tuple[str, ...]
    """Sites that could if the line were not pinned."""


def pinned_site(desk: Desk, line: LineRecord) -> PinnedSite | None:
    """The verdict on a line the actor sees; None for one that is pinned nowhere, or planned no more."""
    site_id = line.pinned_site
    if site_id is None or line.standing.closed:
        return None
    with desk.store.look() as work:
        revision = work.revision.now()
    key = ("pinned site", revision, planning_moment(desk), line.line_id)
    found: PinnedSite | None = desk.memory.get(key, lambda: _asked(desk, line, site_id))
    return found


def _asked(desk: Desk, line: LineRecord, site_id: str) -> PinnedSite | None:
    with desk.store.look() as work:
        network, events = work.networks.latest(), work.events.all()
        shas = {m.name: m.sha256 for m in work.models.all()}
    if network is None:
        return None
    # Without its pin, so that other sites say their own reasons and not that it is pinned.
    static, orders = as_decided(desk, network, [replace(line, pinned_site=None)], shas)
    live = as_it_runs(static, played(events), planning_moment(desk))
    scenario = Scenario(live, tuple(orders), parts_of(desk, orders, shas, static.overhang_deg), "")
    eligibility = Eligibility(scenario, {s.site_id: StaffedTime(s) for s in live.sites})
    why = {s.site_id: eligibility.why_not(line.line_id, s.site_id) for s in live.sites}
    return PinnedSite(site_id, why.get(site_id, ()), tuple(s for s, reasons in why.items() if not reasons))
