"""From many candidate stances to the three to six a planner should choose between."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from router.geometry.facts import Orientation
from router.geometry.stance import Estimate, Stance

FEWEST = 3
MOST = 6
FINALISTS = 9
FINALISTS_FINE_MESH = 5

_ALIKE = 0.01
"""Relative difference below which two figures count as equal (the support volume is known to about this)."""


@dataclass(frozen=True, slots=True)
class Measured:
    """A finalist with its exact figures; the orientation's key and name are provisional."""

    stance: Stance
    orientation: Orientation


Triple = tuple[float, float, float]


def pick_finalists(stances: Sequence[Stance], estimates: Sequence[Estimate], most: int) -> list[int]:
    """Numbers of the stances worth exact measuring: as modelled, the best in each single figure, then best overall."""
    figures: list[Triple] = [(item.height_mm, item.shadow_mm2, item.support_mm3) for item in estimates]
    scores = _scores(figures)
    chosen = [0]

    def add(number: int) -> None:
        if number not in chosen and len(chosen) < most:
            chosen.append(number)

    upright = [number for number, stance in enumerate(stances) if not stance.tilted]
    add(min(upright, key=lambda number: (_rough(figures[number][0]), scores[number], number)))
    add(min(range(len(stances)), key=lambda number: (_rough(figures[number][2]), scores[number], number)))
    add(max(upright, key=lambda number: (_rough(figures[number][0]), -scores[number], -number)))
    add(min(upright, key=lambda number: (_rough(figures[number][1]), scores[number], number)))
    distinct: list[Triple] = [figures[number] for number in chosen]
    ranked = sorted(range(len(stances)), key=lambda number: (_rough(scores[number]), number))
    for number in ranked:
        if not any(_alike(figures[number], other) for other in distinct):
            distinct.append(figures[number])
            add(number)
    for number in ranked:
        add(number)
    return chosen


def thin_out(
    stances: Sequence[Stance], finalists: Sequence[int], measure: Callable[[Stance], Orientation]
) -> tuple[Orientation, ...]:
    """Measure the finalists and keep three to six: no duplicates and nothing worse in every figure, if three remain."""
    measured = [Measured(stances[number], measure(stances[number])) for number in finalists]
    figures = [_figures(item.orientation) for item in measured]
    scores = _scores(figures)
    order = sorted(range(1, len(measured)), key=lambda number: (_rough(scores[number]), number))
    kept = [0]
    duplicates, worse = [], []
    for number in order:
        if any(_alike(figures[number], figures[other]) for other in kept):
            duplicates.append(number)
        elif any(_dominates(figures[other], figures[number]) for other in range(len(measured)) if other != number):
            worse.append(number)
        else:
            kept.append(number)
    for number in worse + duplicates:
        if len(kept) >= FEWEST:
            break
        if number in duplicates or not any(_alike(figures[number], figures[other]) for other in kept):
            kept.append(number)
    for number in worse:
        if len(kept) < FEWEST and number not in kept:
            kept.append(number)
    if len(kept) > MOST:
        ends = {min(kept, key=lambda number: (figures[number][axis], number)) for axis in range(3)}
        inner = [number for number in kept if number not in ends and number != 0]
        kept = [0, *sorted(ends - {0}), *inner][:MOST]
    return _named([measured[number] for number in kept])


def _named(kept: list[Measured]) -> tuple[Orientation, ...]:
    """Give keys and plain names: the first is the part as modelled, the others follow by height."""
    others = sorted(
        kept[1:],
        key=lambda item: (
            _rough(item.orientation.height_mm),
            _rough(item.orientation.support_volume_mm3),
            item.stance.name,
        ),
    )
    names = [item.stance.name for item in others]
    lowest, highest = kept[0].orientation.height_mm, kept[0].orientation.height_mm
    if others:
        if others[0].orientation.height_mm < lowest * (1.0 - _ALIKE) and not others[0].stance.tilted:
            names[0] = "flat"
        if others[-1].orientation.height_mm > highest * (1.0 + _ALIKE) and not others[-1].stance.tilted:
            names[-1] = "on end"
    first = replace(kept[0].orientation, key="a", name=kept[0].stance.name)
    rest = [
        replace(item.orientation, key=chr(ord("b") + number), name=names[number]) for number, item in enumerate(others)
    ]
    return (first, *rest)


def _figures(item: Orientation) -> Triple:
    return item.height_mm, item.footprint.area_mm2, item.support_volume_mm3


def _scores(figures: Sequence[Triple]) -> list[float]:
    """Sum of the three figures, each as a share of its largest value: small is good."""
    largest = [max(max(item[axis] for item in figures), 1.0e-9) for axis in range(3)]
    return [sum(item[axis] / largest[axis] for axis in range(3)) for item in figures]


def _rough(value: float) -> float:
    """Nine digits: enough to rank, too few for rounding noise to decide."""
    return float(f"{value:.9g}")


def _close(first: float, second: float, floor: float) -> bool:
    return abs(first - second) <= _ALIKE * max(abs(first), abs(second)) + floor


def _alike(first: Triple, second: Triple) -> bool:
    block = _ALIKE * first[0] * first[1]  # support much smaller than the part's envelope is no difference
    return (
        _close(first[0], second[0], 1.0e-9)
        and _close(first[1], second[1], 1.0e-9)
        and _close(first[2], second[2], 0.1 * block)
    )


def _dominates(better: Triple, worse: Triple) -> bool:
    floor = 0.1 * _ALIKE * worse[0] * worse[1]
    no_worse = (
        better[0] <= worse[0] * (1.0 + _ALIKE)
        and better[1] <= worse[1] * (1.0 + _ALIKE)
        and better[2] <= worse[2] * (1.0 + _ALIKE) + floor
    )
    clearly_better = (
        better[0] < worse[0] * (1.0 - _ALIKE)
        or better[1] < worse[1] * (1.0 - _ALIKE)
        or better[2] < worse[2] * (1.0 - _ALIKE) - floor
    )
    return no_worse and clearly_better
