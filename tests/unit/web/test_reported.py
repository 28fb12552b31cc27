"""What a run reported, as its page says it."""

from __future__ import annotations

from router.service.records import JobPoint
from router.web.runs import reported


def test_a_bound_is_said_of_every_plan_and_not_of_the_best_so_far() -> None:
    bound = JobPoint("x", 1, "bound", 0.5, 2_123_450.0, "")
    assert reported(bound, "EUR") == "proven: no plan can cost less than 21,234.50\N{NO-BREAK SPACE}EUR"
    assert reported(bound, "EUR", "choice").startswith("proven: no choice can cost less than 21,234.50")
    untold = JobPoint("x", 1, "bound", 0.5, None, "")
    assert reported(untold, "EUR") == "proven: no plan can cost less than the bound, which is not told"
    assert reported(JobPoint("x", 2, "incumbent", 0.6, 2_200_000.0, ""), "EUR") == "best so far"
