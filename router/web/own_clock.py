"""The clock a reader reads by: what was asked, made or saved has no site of its own and is told on it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from router.domain.network import Network
from router.kernel.faults import NotFound
from router.report.wording import full_clock, listed
from router.service.desk import Desk
from router.service.network import network_in_use
from router.service.records import Actor
from router.service.rights import Operation, decide

UTC = "UTC"


@dataclass(frozen=True, slots=True)
class OwnClock:
    """A time zone, those a reader may choose instead, and the sites of the network by name."""

    zone: ZoneInfo
    choices: tuple[tuple[str, str], ...]
    """Time zones (IANA) and what they are called: by the sites that live by them."""
    site_names: Mapping[str, str]

    @property
    def word(self) -> str:
        """What the clock is called."""
        return dict(self.choices).get(self.zone.key, self.zone.key)

    def told(self, at: datetime) -> str:
        """``Mon 30 Nov 2026 14:05 CET``."""
        return full_clock(at, self.zone)

    def to_the_second(self, at: datetime) -> str:
        """``Mon 30 Nov 2026 14:05:09 CET``, for what is told apart by it."""
        local = at.astimezone(self.zone)
        return full_clock(at, self.zone).replace(f"{local:%H:%M}", f"{local:%H:%M:%S}")

    def name_of(self, site_id: str) -> str:
        """The name of a site; of one that is not in the network any more, its id."""
        return self.site_names.get(site_id, site_id)

    def named(self, site_ids: frozenset[str]) -> str:
        """Names of sites in a row."""
        return listed(sorted(map(self.name_of, site_ids), key=str.casefold))


def own_clock(desk: Desk, actor: Actor, chosen: str) -> OwnClock:
    """The clock that was ``chosen`` where a site lives by it; else that of most machines the reader is there for."""
    network = _network(desk, actor)
    if network is None:
        return OwnClock(ZoneInfo(UTC), ((UTC, UTC),), {})
    names: dict[str, list[str]] = {}
    for site in network.sites:
        names.setdefault(site.time_zone, []).append(site.name)
    choices = (*((zone, f"the clock of {_some(sites)}") for zone, sites in names.items()), (UTC, UTC))
    own = actor.person.sites & {s.site_id for s in network.sites}
    machines = Counter(network.site[m.site_id].time_zone for m in network.machines if not own or m.site_id in own)
    # Equally many: the zone that comes first in the network.
    usual = max(names, key=lambda zone: machines[zone], default=UTC)
    zone = chosen if chosen in names or chosen == UTC else usual
    return OwnClock(ZoneInfo(zone), choices, {s.site_id: s.name for s in network.sites})


def _network(desk: Desk, actor: Actor) -> Network | None:
    if not decide(actor, Operation.SEE_NETWORK).allowed:
        return None
    try:
        return network_in_use(desk, actor)
    except NotFound:
        return None


def _some(names: list[str], most: int = 3) -> str:
    return listed(names) if len(names) <= most else f"{', '.join(names[:most])} and {len(names) - most} more"
