"""How much of months, replications, kilometres and workers a simulation may be asked for: said here alone."""

from __future__ import annotations

from router.kernel.faults import Fault
from router.whatif.sweep.crew import crew_fault

LEAST_MONTHS, MOST_MONTHS = 0.25, 18.0
LEAST_REPLICATIONS, MOST_REPLICATIONS = 2, 10_000
MOST_NEAR_KM = 20_000.0
"""About half way round the earth."""


def amount_faults(
    months: float,
    replications: int,
    near_km: float | None = None,
    most_replications: int = MOST_REPLICATIONS,
    where: str = "",
) -> list[Fault]:
    """What is wrong with the amounts of a simulation, field by field; ``where``: what they are of."""
    least, most = LEAST_REPLICATIONS, most_replications
    wrong = [
        (not LEAST_MONTHS <= months <= MOST_MONTHS, "months", f"{months:g}", f"{LEAST_MONTHS:g} to {MOST_MONTHS:g}"),
        (not least <= replications <= most, "replications", str(replications), f"{least} to {most:,}"),
    ]
    if near_km is not None:
        near = not 0 < near_km <= MOST_NEAR_KM
        wrong.append((near, "near_km", f"{near_km:g}", f"above 0 to {MOST_NEAR_KM:,.0f}"))
    return [Fault("", where, field, found, expected) for bad, field, found, expected in wrong if bad]


def wrong_amounts(months: float, replications: int, executor: str, near_km: float | None = None) -> list[str]:
    """The same in words, and what is wrong with the executor; nothing when a simulation can be asked for so."""
    faults = amount_faults(months, replications, near_km)
    nobody = crew_fault(executor)
    return [fault.sentence() for fault in (*faults, *([nobody] if nobody else []))]
