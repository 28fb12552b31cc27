"""Tells that inner loops are being compiled: once on a machine, and then it takes longer than a first plan."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from numba.core import event

from router.kernel.run import Listener, Passing

COMPILING = "compiling, once only"


class CompilingTold(Passing):
    """Passes everything on to a listener; a phase in which something is compiled is broken by a phase that says so."""

    def __init__(self, listener: Listener) -> None:
        super().__init__(listener)
        self._phase: tuple[str, int | None] | None = None
        self._told = False

    def compiling(self) -> None:
        """Something begins to be compiled."""
        if not self._told:
            self._told = True
            self._listener.phase(COMPILING, None)

    def phase(self, name: str, total: int | None) -> None:
        self._phase, self._told = (name, total), False
        super().phase(name, total)

    def step(self, done: int) -> None:
        # Loops are compiled one after another at their first call: only a further step shows that work goes on.
        if self._told and self._phase is not None:
            self.phase(*self._phase)
        super().step(done)


class _Compiler(event.Listener):
    """Hears the compiler begin, in the thread that made it: others may compile for somebody else."""

    def __init__(self, told: CompilingTold) -> None:
        self._told = told
        self._thread = threading.get_ident()

    def on_start(self, event: event.Event) -> None:
        if threading.get_ident() == self._thread:
            self._told.compiling()

    def on_end(self, event: event.Event) -> None:
        return


@contextmanager
def compiling_told(listener: Listener) -> Iterator[Listener]:
    """A listener in place of the given one that is told, for as long as it lasts, when this thread compiles."""
    told = CompilingTold(listener)
    with event.install_listener("numba:compile", _Compiler(told)):
        yield told
