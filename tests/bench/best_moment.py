"""When CP-SAT found its last better plan."""

from __future__ import annotations

import time

from ortools.sat.python import cp_model


class BestMoment(cp_model.CpSolverSolutionCallback):
    """``last``: seconds from ``began`` (monotonic) to the latest better plan; None before the first."""

    def __init__(self, began: float) -> None:
        super().__init__()
        self._began = began
        self.last: float | None = None

    def on_solution_callback(self) -> None:
        """Called by the solver at every better plan."""
        self.last = round(time.monotonic() - self._began, 3)
