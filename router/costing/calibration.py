"""The figures of the build time from a machine's own past builds (RULES.md, section 3).

A run takes ``fixed + layers x recoating + melted volume / build rate``. The three figures are those that miss the
recorded hours least in the sum of squares, none of them negative (Lawson & Hanson 1974, *Solving Least Squares
Problems*).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import nnls

_FEWEST = 5
"""Three figures and two builds to contradict them."""
_ALIKE = 30.0
"""Condition index above which figures cannot be told apart (Belsley, Kuh & Welsch 1980; from memory)."""
_ODD = 3.0
"""Standard deviations from which on a build is named (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class PastBuild:
    """A build as it was: layers with powder, melted volume (parts, supports, coupons), hours from start to end."""

    build_id: str
    machine_id: str
    layers: int
    melted_cm3: float
    run_h: float

    def __post_init__(self) -> None:
        numbers = (self.layers, self.melted_cm3, self.run_h)
        if not all(math.isfinite(x) and x > 0 for x in numbers):
            raise ValueError(f"build {self.build_id}: layers, cm3 and hours must be above 0, found {numbers}")


@dataclass(frozen=True, slots=True)
class Calibration:
    """What one machine's past builds say. Standard errors hold where the errors of builds are alike and independent."""

    machine_id: str
    builds: int
    fixed_h: float
    """Set-up and cooling together: build times alone cannot tell them apart."""
    fixed_error_h: float
    recoat_s: float
    recoat_error_s: float
    melting_cm3_h: float | None
    """Melted volume an hour of exposure; None when the builds show no time for exposure."""
    melting_error_cm3_h: float | None
    typical_miss_h: float
    """Root of the mean squared residual, by degrees of freedom."""
    explained: float
    """Share of the variance of the recorded hours that the figures explain."""
    residuals_h: tuple[float, ...]
    """Recorded less fitted hours, in the order of the builds."""
    odd_builds: tuple[str, ...]
    warnings: tuple[str, ...]

    def run_h(self, layers: int, melted_cm3: float) -> float:
        """Hours of a build by these figures."""
        exposure_h = melted_cm3 / self.melting_cm3_h if self.melting_cm3_h else 0.0
        return self.fixed_h + layers * self.recoat_s / 3600 + exposure_h


def calibrate(builds: Sequence[PastBuild]) -> Calibration:
    """Fit the builds of one machine in one parameter set.

    Raises ValueError for builds of several machines, fewer than five, or builds that are all alike.
    """
    machines = sorted({b.machine_id for b in builds})
    if len(machines) != 1:
        raise ValueError(f"a calibration is for one machine, found builds of {', '.join(machines) or 'none'}")
    if len(builds) < _FEWEST:
        raise ValueError(f"{machines[0]}: {len(builds)} builds cannot tell three figures; {_FEWEST} or more are needed")
    terms = np.array([(1.0, b.layers, b.melted_cm3) for b in builds])
    hours = np.array([b.run_h for b in builds])
    # Columns of equal length: layers are thousands where hours are tens.
    lengths = np.linalg.norm(terms, axis=0)
    singular = np.linalg.svd(terms / lengths, compute_uv=False)
    if singular[-1] < 1e-9 * singular[0]:
        raise ValueError(
            f"{machines[0]}: layers and melted volume of these builds do not vary apart from each other; add builds"
            " that are high and light, or low and heavy"
        )
    found = nnls(terms / lengths, hours)[0] / lengths
    residuals = hours - terms @ found
    free = found > 0
    miss = math.sqrt(float(residuals @ residuals) / (len(builds) - int(free.sum())))
    errors = _errors(terms, free, miss)
    melting = None if found[2] == 0 else float(1 / found[2])
    spread = float(((hours - hours.mean()) ** 2).sum())
    # A fit to the last digit has no odd builds, only rounding.
    limit = max(_ODD * miss, 1e-9 * float(hours.max()))
    return Calibration(
        machine_id=machines[0],
        builds=len(builds),
        fixed_h=float(found[0]),
        fixed_error_h=float(errors[0]),
        recoat_s=float(3600 * found[1]),
        recoat_error_s=float(3600 * errors[1]),
        melting_cm3_h=melting,
        # The error of a reciprocal, to first order.
        melting_error_cm3_h=None if melting is None else float(errors[2] * melting**2),
        typical_miss_h=miss,
        explained=1.0 if spread == 0 else 1.0 - float(residuals @ residuals) / spread,
        residuals_h=tuple(float(r) for r in residuals),
        odd_builds=tuple(b.build_id for b, r in zip(builds, residuals, strict=True) if abs(r) > limit),
        warnings=_warnings(free, float(singular[0] / singular[-1])),
    )


def _errors(terms: npt.NDArray[np.float64], free: npt.NDArray[np.bool_], miss: float) -> npt.NDArray[np.float64]:
    """Standard errors ``miss x sqrt(diag((X'X)^-1))`` of the figures above zero; zero for those held there."""
    errors = np.zeros(terms.shape[1])
    scale = np.linalg.norm(terms[:, free], axis=0)
    inner = terms[:, free] / scale
    errors[free] = miss * np.sqrt(np.diag(np.linalg.inv(inner.T @ inner))) / scale
    return errors


def _warnings(free: npt.NDArray[np.bool_], condition: float) -> tuple[str, ...]:
    names = ("the fixed time", "recoating", "exposure")
    held = [
        f"{name} came out as nothing: the records contradict it"
        for name, some in zip(names, free, strict=True)
        if not some
    ]
    if condition > _ALIKE:
        held.append(
            f"the builds are much alike (condition index {condition:.0f}): their hours are met, but single figures are"
            " uncertain"
        )
    return tuple(held)
