"""How much of months, replications and workers a simulation may be asked for: said here alone."""

from __future__ import annotations

from router.whatif.sweep.crew import names_a_crew

LEAST_MONTHS, MOST_MONTHS = 0.25, 18.0
LEAST_REPLICATIONS, MOST_REPLICATIONS = 2, 10_000


def wrong_amounts(months: float, replications: int, executor: str) -> list[str]:
    """What is wrong with them, in words; nothing when a simulation can be asked for so."""
    least, most = LEAST_REPLICATIONS, MOST_REPLICATIONS
    wrong = [
        (
            not LEAST_MONTHS <= months <= MOST_MONTHS,
            f"months lie between {LEAST_MONTHS:g} and {MOST_MONTHS:g}, found {months:g}",
        ),
        (not least <= replications <= most, f"replications from {least} to {most:,}, found {replications}"),
        (not names_a_crew(executor), f"here, processes:N or dask:tcp://host:port, found {executor}"),
    ]
    return [text for bad, text in wrong if bad]
