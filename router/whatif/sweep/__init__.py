"""Large sweeps: many independent tasks, each result kept as it comes, on processes here or on a Dask cluster."""

from router.whatif.sweep.crew import Crew, open_crew
from router.whatif.sweep.ledger import Entry, Ledger, read_entries
from router.whatif.sweep.run import (
    Kept,
    Quiet,
    SweepEnd,
    SweepListener,
    SweepOutcome,
    lost_its_worker,
    sweep,
    sweep_into,
)
from router.whatif.sweep.task import Task

__all__ = [
    "Crew",
    "Entry",
    "Kept",
    "Ledger",
    "Quiet",
    "SweepEnd",
    "SweepListener",
    "SweepOutcome",
    "Task",
    "lost_its_worker",
    "open_crew",
    "read_entries",
    "sweep",
    "sweep_into",
]
