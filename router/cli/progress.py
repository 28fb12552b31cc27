"""Shows a run as it goes, on standard error; plain lines where no terminal listens."""

from __future__ import annotations

import time
from types import TracebackType

from rich.console import Console
from rich.progress import BarColumn, Progress, SpinnerColumn, TaskID, TextColumn, TimeElapsedColumn

from router.kernel.run import Status


class ProgressListener:
    """A listener with one bar a phase."""

    def __init__(self, console: Console, currency: str = "", seconds: float | None = None) -> None:
        self._console = console
        self._currency = currency
        self._seconds = seconds
        self._task: TaskID | None = None
        self._name = ""
        self._begun = time.monotonic()
        self._timed = False
        self._note = ""
        self._progress = Progress(
            SpinnerColumn(),
            TextColumn("{task.description:<24}"),
            BarColumn(bar_width=30),
            TextColumn("{task.fields[note]}"),
            TimeElapsedColumn(),
            console=console,
        )

    def __enter__(self) -> ProgressListener:
        if self._console.is_terminal:
            self._progress.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._console.is_terminal:
            self._finish()
            self._progress.stop()

    def _finish(self) -> None:
        if self._task is not None:
            total = self._progress.tasks[self._task].total
            self._progress.update(self._task, total=total or 1, completed=total or 1)

    def phase(self, name: str, total: int | None) -> None:
        self._timed = name == "search" and total is None
        if not self._console.is_terminal:
            self._console.print(f"{time.monotonic() - self._begun:6.1f} s  {name}")
            return
        self._finish()
        self._name = name
        if self._timed and self._seconds is not None:
            total = max(1, int((self._seconds - (time.monotonic() - self._begun)) * 1000))
        self._task = self._progress.add_task(name, total=total, note="")

    def step(self, done: int) -> None:
        if self._task is None or not self._console.is_terminal:
            return
        if self._timed:
            task = self._progress.tasks[self._task]
            self._progress.update(self._task, completed=int((task.elapsed or 0) * 1000), note=self._note)
        else:
            self._progress.update(self._task, completed=done)

    def incumbent(self, value: float, seconds: float) -> None:
        self._note = f"landed cost {value / 100:,.0f} {self._currency}".rstrip()
        if self._task is not None and self._console.is_terminal:
            self._progress.update(self._task, note=self._note)

    def bound(self, value: float, seconds: float) -> None:
        self._console.print(f"no plan can cost less than {value / 100:,.0f} {self._currency}".rstrip())

    def ended(self, status: Status, reason: str) -> None:
        if not self._console.is_terminal:
            self._console.print(f"{time.monotonic() - self._begun:6.1f} s  search ended: {reason} ({status.value})")
