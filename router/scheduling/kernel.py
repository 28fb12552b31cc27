"""How the kernels of this room are compiled."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numba as nb

F = TypeVar("F", bound=Callable[..., Any])


def kernel(function: F) -> F:
    """Compile a function that allocates nothing, once for all processes.

    Without reference counts: shop and book are records of some thirty arrays, and counting each of them up and down at
    every call takes most of the time of kernels as small as these. A function that would allocate does not compile.
    """
    # The option is one of numba's own, unknown to its annotations.
    compiled: F = nb.njit(cache=True, inline="never", _nrt=False)(function)  # type: ignore[call-overload]
    return compiled
