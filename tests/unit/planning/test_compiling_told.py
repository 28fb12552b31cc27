"""What is compiled at its first call is told as a phase of its own, so that nobody takes it for the plan's time."""

from __future__ import annotations

import threading

import numba

from router.kernel.run import Silent
from router.scheduling.compiling import COMPILING, compiling_told


class _Heard(Silent):
    def __init__(self) -> None:
        self.told: list[str] = []

    def phase(self, name: str, total: int | None) -> None:
        self.told.append(name)

    def step(self, done: int) -> None:
        self.told.append(f"step {done}")


def test_compiling_is_a_phase_and_the_phase_it_broke_goes_on_after_it() -> None:
    one, other = numba.njit(lambda x: x + 1), numba.njit(lambda x: x + 2)
    heard = _Heard()
    with compiling_told(heard) as listener:
        listener.phase("first plan", 2)
        listener.step(1)
        assert one(1) + other(1) == 5
        listener.step(2)
        assert one(2) + other(2) == 7
        listener.phase("search", None)
    assert heard.told == ["first plan", "step 1", COMPILING, "first plan", "step 2", "search"]


def test_what_another_thread_compiles_is_not_told() -> None:
    heard = _Heard()
    with compiling_told(heard) as listener:
        listener.phase("first plan", 1)
        thread = threading.Thread(target=numba.njit(lambda x: x + 3), args=(1,))
        thread.start()
        thread.join()
    numba.njit(lambda x: x + 4)(1)
    assert heard.told == ["first plan"]
