"""A task of a sweep, and what a worker makes of it."""

from __future__ import annotations

import json
import os
import pickle
import platform
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from router.whatif.sweep.fingerprint import fingerprint


@dataclass(frozen=True)
class Task:
    """``function(*arguments)``, to be run anywhere. The function is found by module and name and gives values of JSON.

    Two tasks are the same when name, function, arguments and ``version`` are: raise the version when the function
    comes to other results for the same arguments, or old results will be taken for new ones.
    """

    name: str
    function: Callable[..., Any]
    arguments: tuple[Any, ...] = ()
    version: str = ""
    content: str = ""
    """What stands for the arguments in the digest, where reading through all of them would take long."""

    def __post_init__(self) -> None:
        where = f"{self.function.__module__}.{self.function.__qualname__}"
        if "<" in where:
            raise ValueError(f"task {self.name!r}: {where} cannot be sent to a worker; use a function of a module")

    @cached_property
    def digest(self) -> str:
        """What results are kept under."""
        function = f"{self.function.__module__}.{self.function.__qualname__}"
        return fingerprint((self.name, function, self.version, self.content or self.arguments))

    def packed(self) -> bytes:
        """Function and arguments as a worker takes them. Raises whatever pickling raises."""
        return pickle.dumps((self.function, self.arguments))


@dataclass(frozen=True, slots=True)
class Reply:
    """What came back from a worker: a value as JSON text, or why there is none."""

    value: str | None
    reason: str
    seconds: float
    cpu_s: float
    worker: str


def perform(packed: bytes) -> Reply:
    """Run a task in whatever process; its own failure is an answer, not a fault of the worker."""
    began, cpu_began = time.perf_counter(), time.process_time()
    value, reason = None, ""
    try:
        function, arguments = pickle.loads(packed)
        value = json.dumps(function(*arguments), allow_nan=False)
    except Exception as failed:
        last = traceback.extract_tb(failed.__traceback__)[-1]
        reason = f"{type(failed).__name__}: {failed} (in {last.name}, line {last.lineno})"
    return Reply(
        value,
        reason,
        round(time.perf_counter() - began, 6),
        round(time.process_time() - cpu_began, 6),
        f"{platform.node()}:{os.getpid()}",
    )
