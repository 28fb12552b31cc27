"""Whether the site a line is pinned to can build it: said when it is pinned, not by the plan that leaves it out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from router.domain.network import Scenario
from router.formats.network_file import NetworkReading
from router.planning.eligibility import Eligibility
from router.service.desk import Desk
from router.service.floor import Floor, floor_now
from router.service.models import contents_in, parts_of
from router.service.network import newest_network
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
    """The verdict on a line the actor sees; None for one that is pinned nowhere, or withdrawn."""
    site_id = line.pinned_site
    if site_id is None or line.standing.closed:
        return None
    with desk.store.look() as work:
        now = planning_moment(desk, work)
        told_of, newest, floor = work.events.last_id(), newest_network(work, desk), floor_now(desk, work)
        shas = contents_in(work, line.line_id, line.model)
    if newest is None:
        return None
    # All that decides, and not the revision of the book: the line may have been read before another change.
    key = (newest.version, told_of, now, line.line_id, line.version, site_id, tuple(sorted(shas.items())))
    found: PinnedSite = desk.verdicts.get(key, lambda: _asked(desk, line, site_id, newest.reading, floor, shas, now))
    return found


def _asked(
    desk: Desk,
    line: LineRecord,
    site_id: str,
    network: NetworkReading,
    floor: Floor,
    shas: Mapping[str, str],
    now: datetime | None,
) -> PinnedSite:
    # Without its pin, so that other sites say their own reasons and not that it is pinned.
    static, orders = as_decided(network, [replace(line, pinned_site=None)], shas)
    live = as_it_runs(static, floor, now)
    scenario = Scenario(live, tuple(orders), parts_of(desk, orders, shas, static.overhang_deg), "")
    eligibility = Eligibility(scenario, {s.site_id: StaffedTime(s) for s in live.sites})
    why = {s.site_id: eligibility.why_not(line.line_id, s.site_id) for s in live.sites}
    return PinnedSite(site_id, why.get(site_id, ()), tuple(s for s, reasons in why.items() if not reasons))
