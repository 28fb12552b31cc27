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
    if any(c.code == code for site in network.sites for c in site.credentials):
        return None
    return "no site of the network holds it" + _meant(code, {c.code for s in network.sites for c in s.credentials})


def alloy_nowhere(network: Network, alloy_id: str) -> str | None:
    """``no machine of the network is qualified for it``, with those that some are; None when one is."""
    # Asked for every kind of line and class of machine that do not go together: nothing is gathered for a no.
    if any(alloy_id in machine.alloys for machine in network.machines):
        return None
    run = {alloy for machine in network.machines for alloy in machine.alloys}
    return "no machine of the network is qualified for it" + _meant(alloy_id, run)


def step_nowhere(network: Network, step: Step) -> str | None:
    """``no site of the network does it or buys it``, or None when one does."""
    done = any(kept is step for _, kept in network.work_centre)
    bought = any(service.step is step for service in network.outside_services)
    return None if done or bought else "no site of the network does it or buys it"


def aside(nowhere: str | None) -> str:
    """One of these in brackets, to stand behind a reason; nothing for None."""
    return f" ({nowhere})" if nowhere else ""


def _meant(name: str, known: Iterable[str]) -> str:
    names = sorted(known)
    guess = nearest(name, names)
    if guess is not None:
        return f"; did you mean '{guess}'?"
    if not names:
        return "; there is none that one has"
    more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    return f"; known are {', '.join(names[:_MOST_NAMED])}{more}"
