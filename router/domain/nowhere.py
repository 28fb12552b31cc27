"""What an order line asks for and no site of the network has: more often a slip of the pen than a wish.

Order books may carry such words, since a site may come to hold them; whoever reads the reason should know that it is
not one site's alone.
"""

from __future__ import annotations

from collections.abc import Iterable

from router.domain.network import Network
from router.domain.sites import Step
from router.kernel.names import nearest

_MOST_NAMED = 8


def code_nowhere(network: Network, code: str) -> str | None:
    """``no site of the network holds it; did you mean 'AS9100'?``, or None when one does or did."""
    held = sorted({c.code for site in network.sites for c in site.credentials})
    if code in held:
        return None
    return "no site of the network holds it" + _meant(code, held)


def alloy_nowhere(network: Network, alloy_id: str) -> str | None:
    """``no machine of the network is qualified for it``, with those that some are; None when one is."""
    run = sorted({alloy for machine in network.machines for alloy in machine.alloys})
    if alloy_id in run:
        return None
    return "no machine of the network is qualified for it" + _meant(alloy_id, run)


def step_nowhere(network: Network, step: Step) -> str | None:
    """``no site of the network does it or buys it``, or None when one does."""
    done = any(kept is step for _, kept in network.work_centre)
    bought = any(service.step is step for service in network.outside_services)
    return None if done or bought else "no site of the network does it or buys it"


def _meant(name: str, known: Iterable[str]) -> str:
    names = list(known)
    guess = nearest(name, names)
    if guess is not None:
        return f"; did you mean '{guess}'?"
    if not names:
        return "; there is none that one has"
    more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    return f"; known are {', '.join(names[:_MOST_NAMED])}{more}"
