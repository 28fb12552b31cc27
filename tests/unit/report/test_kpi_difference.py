"""A row of key figures adds up: the difference is that of the figures shown."""

from __future__ import annotations

from router.report.kpi_table import _row, _Spec


def test_the_difference_is_that_of_the_figures_shown() -> None:
    row = _row(_Spec("Landed cost", lambda k: 0.0), 100.4, 213_029.4 + 0.2)
    assert (row.plan, row.habit) == ("100", "213,030")
    assert row.difference == "\u2212212,930"
    share = _row(_Spec("Fill", lambda k: 0.0, 1, 1, share=True), 0.50044, 0.60056)
    assert share.difference.startswith("\u221210.1")
