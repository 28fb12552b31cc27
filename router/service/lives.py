"""How much of a simulation may be asked of the service, whatever it is for: its workers are everybody's."""

from __future__ import annotations

from router.kernel.faults import Fault
from router.whatif.amounts import amount_faults

MOST_REPLICATIONS = 200
MOST_LIFE_MONTHS = 2_000
"""Lives times months: about an hour of a processor for a book like the demonstration's (2 seconds a month,
ROLLING.md)."""


def life_faults(
    where: str, worlds: int, fewer: str, months: float, replications: int, seed: int, near_km: float | None = None
) -> list[Fault]:
    """What is wrong with so much of it. ``worlds`` live side by side; ``fewer``: what there could be fewer of."""
    faults = amount_faults(months, replications, near_km, MOST_REPLICATIONS, where)
    lives = worlds * replications
    if not faults and lives * months > MOST_LIFE_MONTHS:
        want = f"at most {MOST_LIFE_MONTHS:,} months lived in all: fewer {fewer}, replications or months"
        faults.append(Fault("", where, "replications", f"{lives} lives of {months:g} months", want))
    if not 0 <= seed < 2**31:
        faults.append(Fault("", where, "seed", str(seed), "0 to 2147483647"))
    return faults
