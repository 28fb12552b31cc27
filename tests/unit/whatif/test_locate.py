"""The run contract of the location engine: stop rules, listener, seeds, bad input."""

from __future__ import annotations

import threading

import numpy as np
import pytest

from router.kernel.run import Status
from router.whatif.siting import LocateParams, Location, LocationProblem, locate, location_faults, location_value


def _problem(sites: int = 30, customers: int = 80, seed: int = 5) -> LocationProblem:
    rng = np.random.default_rng(seed)
    at, to = rng.random((customers, 2)), rng.random((sites, 2))
    demand = rng.integers(5, 35, customers).astype(float)
    cost = demand[:, None] * np.hypot(*(at[:, None] - to[None]).transpose(2, 0, 1)) * 10
    return LocationProblem(np.full(sites, 300.0), np.full(sites, 220.0), demand, cost, whole=False)


class _Heard:
    def __init__(self) -> None:
        self.values: list[float] = []
        self.bounds: list[float] = []
        self.end: tuple[Status, str] | None = None

    def phase(self, name: str, total: int | None) -> None: ...
    def step(self, done: int) -> None: ...
    def incumbent(self, value: float, seconds: float) -> None:
        self.values.append(value)

    def bound(self, value: float, seconds: float) -> None:
        self.bounds.append(value)

    def ended(self, status: Status, reason: str) -> None:
        self.end = (status, reason)


def test_listener_hears_falling_values_and_rising_bounds_below_them() -> None:
    heard = _Heard()
    found = locate(_problem(), LocateParams(seconds=None), heard)
    assert found.status is Status.OPTIMAL
    assert heard.values == sorted(heard.values, reverse=True) and heard.values[-1] == found.value
    assert heard.bounds == sorted(heard.bounds) and heard.bounds[-1] <= heard.values[-1]
    assert heard.end == (Status.OPTIMAL, "proven")


def test_equal_seeds_give_equal_runs() -> None:
    first, again = (locate(_problem(), LocateParams(seed=7, seconds=None, work=3)) for _ in range(2))
    assert (first.value, first.bound, first.branches) == (again.value, again.bound, again.branches)
    assert first.location is not None and again.location is not None
    assert (first.location.share == again.location.share).all()


def test_a_stopped_run_keeps_its_choice_and_a_true_bound() -> None:
    problem = _problem()
    whole = locate(problem, LocateParams(seconds=None))
    cut_short = locate(problem, LocateParams(seconds=None, work=1))
    assert whole.value is not None and cut_short.value is not None and cut_short.bound is not None
    assert cut_short.bound <= whole.value + 1e-6
    assert cut_short.value >= whole.value - 1e-6
    assert whole.branches > 1 and cut_short.status is Status.FEASIBLE


def test_cancelled_is_said_so() -> None:
    event = threading.Event()
    event.set()
    found = locate(_problem(), LocateParams(cancel=event))
    assert found.status is Status.CANCELLED and found.reason == "cancelled"


def test_too_little_room_is_infeasible() -> None:
    problem = LocationProblem(np.ones(2), np.ones(2), np.full(3, 1.0), np.ones((3, 2)))
    found = locate(problem)
    assert found.status is Status.INFEASIBLE and found.location is None


def test_faults_of_arrays_are_all_named() -> None:
    with pytest.raises(ValueError, match=r"not one a site.*sites are to open"):
        LocationProblem(np.ones(3), np.ones(2), np.ones(4), np.ones((4, 3)), count=9)
    with pytest.raises(ValueError, match="negative"):
        LocationProblem(np.ones(3), np.ones(3), -np.ones(4), np.ones((4, 3)))


def test_check_names_every_fault() -> None:
    problem = LocationProblem(np.ones(3), np.full(3, 2.0), np.ones(4), np.ones((4, 3)), count=2)
    share = np.zeros((4, 1))
    share[:3] = 1.0
    text = "; ".join(location_faults(problem, Location(np.array([0]), share)))
    assert "1 sites open, 2 asked" in text and "customer 3" in text and "site 0 serves 3, capacity 2" in text
    assert location_value(problem, Location(np.array([0]), share)) == 4.0
