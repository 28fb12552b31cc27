"""Builds that wait for machines, timed by the project's kernels, against the closed forms of waiting lines.

Erlang 1917 (M/M/c); Pollaczek 1930, Khinchine 1932 (M/G/1): both in any textbook. Nine intervals are looked at
together with 99 % confidence for each: seeds are fixed, so that a pass is a pass for good.
"""

from __future__ import annotations

import pytest

from tests.bench.queue_line import Line, closed_wait, erlang_c, simulate

CASES = {
    "M/M/1": Line(1, 0.8),
    "M/M/2": Line(2, 0.75),
    "M/M/5": Line(5, 0.8),
    "M/D/1": Line(1, 0.8, 0.0),
    "M/G/1, squared variation 0.25": Line(1, 0.7, 0.25),
    "M/G/1, squared variation 2": Line(1, 0.6, 2.0),
}


@pytest.mark.parametrize("name", CASES)
def test_mean_wait_and_share_of_waiting(name: str) -> None:
    line = CASES[name]
    found = simulate(line, seed=1, orders=10_000)
    expected = closed_wait(line)
    assert found.wait.holds(expected), (found.wait, expected)
    assert found.wait.half_width is not None
    assert found.wait.half_width < 0.08 * expected, "too wide to tell"
    # Poisson arrivals see time averages: at one machine the share that waits is its load, whatever the service.
    waiting = erlang_c(line.machines, line.load) if line.scv == 1.0 else line.load
    assert found.waiting_share.holds(waiting), (found.waiting_share, waiting)


def test_a_wrong_closed_form_is_told() -> None:
    """The check can fail: exponential service is not mistaken for constant service, nor two machines for a fast one."""
    assert not simulate(Line(1, 0.8), seed=1, runs=10, orders=4_000).wait.holds(closed_wait(Line(1, 0.8, 0.0)))
    assert not simulate(Line(2, 0.75), seed=1, runs=10, orders=4_000).wait.holds(closed_wait(Line(1, 0.75)))


@pytest.mark.parametrize(
    ("line", "wait"),
    # M/M/2 at 1.5 arrivals a service: Erlang C 0.642857, wait 1.285714; M/D/1 at 0.8: 2 (by hand).
    [(Line(2, 0.75), 1.2857142857), (Line(1, 0.8, 0.0), 2.0), (Line(1, 0.8), 4.0), (Line(1, 0.8, 2.0), 6.0)],
)
def test_closed_forms_by_hand(line: Line, wait: float) -> None:
    assert closed_wait(line) == pytest.approx(wait)
