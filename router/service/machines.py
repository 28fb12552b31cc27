"""Machines as they stand on the floor: which are down, and for how long as far as was said."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from router.service.desk import Desk
from router.service.events import moment_now
from router.service.floor import FloorMachine, MachineState, floor_now
from router.service.network import network_there
from router.service.records import Actor
from router.service.rights import Operation, decide, require, sites_seen
from router.service.snapshot import DOWN_WITHOUT_END


@dataclass(frozen=True, slots=True)
class MachineNow:
    """A machine of the network."""

    machine_id: str
    site_id: str
    site: str
    """The site's name."""
    time_zone: str
    """Of the site's clock."""
    model: str
    state: MachineState
    down_from: datetime | None
    down_until: datetime | None
    """Until when it is down as far as was said; None: nobody knows, or it is up."""
    planned_from: datetime | None
    """From when plans use it again; None when it is up, or was to be up again by now."""
    may_record: bool
    """Whether the reader may say that it is down or up, as far as rights go."""


@dataclass(frozen=True, slots=True)
class MachinesNow:
    """All machines the reader may see, by the names of site and machine, at a moment."""

    moment: datetime
    machines: tuple[MachineNow, ...]


def machines_now(desk: Desk, actor: Actor) -> MachinesNow:
    """How the machines stand. Raises NotFound while there is no network."""
    require(actor, Operation.SEE_FLOOR)
    with desk.store.look() as work:
        network, floor = network_there(work, desk).network, floor_now(desk, work)
    moment, sites = moment_now(desk, network, floor), sites_seen(actor)
    found = []
    for machine in network.machines:
        if sites is not None and machine.site_id not in sites:
            continue
        site = network.site[machine.site_id]
        known = floor.machines.get(machine.machine_id, FloorMachine())
        planned_from = None
        if known.state is MachineState.DOWN and known.down_from is not None:
            until = known.down_until or known.down_from + DOWN_WITHOUT_END
            planned_from = until if until > moment else None
        found.append(
            MachineNow(
                machine.machine_id,
                machine.site_id,
                site.name,
                site.time_zone,
                machine.model,
                known.state,
                known.down_from,
                known.down_until,
                planned_from,
                decide(actor, Operation.RECORD_EVENT, machine.site_id).allowed,
            )
        )
    return MachinesNow(moment, tuple(sorted(found, key=lambda m: (m.site, m.machine_id))))
