"""What a sound network would leave standing on nothing: remarks, which keep nobody from saving it."""

from __future__ import annotations

from collections import defaultdict

from router.domain.network import Network
from router.formats.network_file import inspect_network
from router.service.desk import Desk
from router.service.floor import BuildState, floor_now
from router.service.plans import live_now
from router.service.records import Actor
from router.service.rights import Operation, require

_OVER = (BuildState.FINISHED, BuildState.FAILED)
_MOST_NAMED = 8


def remarks_on_file(desk: Desk, actor: Actor, raw: bytes) -> tuple[str, ...]:
    """Remarks on a network file; none on one that has faults, which say more."""
    network = inspect_network(raw).network
    return () if network is None else remarks_on(desk, actor, network)


def remarks_on(desk: Desk, actor: Actor, network: Network) -> tuple[str, ...]:
    """Machines that builds of the live plan stand on and that the network leaves out, one sentence each.

    Builds are named as on the schedule, whose rows everybody sees; of their lines nothing is said.
    """
    require(actor, Operation.CHANGE_NETWORK)
    live = live_now(desk)
    if live is None:
        return ()
    with desk.store.look() as work:
        floor = floor_now(desk, work)
    standing: dict[str, list[str]] = defaultdict(list)
    for build in live.result.plan.builds:
        begun = floor.builds.get(build.lasting_id)
        if build.machine_id not in network.machine and (begun is None or begun.state not in _OVER):
            standing[build.machine_id].append(build.build_id)
    return tuple(_sentence(machine_id, builds) for machine_id, builds in sorted(standing.items()))


def _sentence(machine_id: str, builds: list[str]) -> str:
    more = len(builds) - _MOST_NAMED
    named = [*builds[:_MOST_NAMED], f"{more} more"] if more > 0 else builds
    listed = " and ".join(x for x in (", ".join(named[:-1]), named[-1]) if x)
    one = len(builds) == 1
    return (
        f"machine {machine_id} is left out: build{'' if one else 's'} {listed} of the live plan "
        f"stand{'s' if one else ''} on it; plan again"
    )
