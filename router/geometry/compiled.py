"""The compiler mark for this room's few inner loops: compiled once on a machine and kept beside the package."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

import numba

if TYPE_CHECKING:
    from collections.abc import Callable

    _Function = TypeVar("_Function", bound=Callable[..., Any])

    def compiled(function: _Function) -> _Function: ...

else:
    compiled = numba.njit(cache=True)
