"""Filling one plate with a mixed demand: several orders, best result kept."""

from __future__ import annotations

import random
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from router.nesting.nest import Nest, Placement
from router.nesting.plate import PlateSpec
from router.nesting.shape import Shape

Demand = Sequence[tuple[Shape, int]]

_CACHE_LIMIT = 4096
_cache: OrderedDict[tuple[object, ...], PackResult] = OrderedDict()


@dataclass(frozen=True, slots=True)
class PackResult:
    """What stands on the plate and what found no room.

    ``left`` maps shape key to pieces left over (only keys with some left); ``complete`` when it is empty.
    """

    placed: tuple[Placement, ...]
    left: dict[str, int] = field(default_factory=dict)
    complete: bool = True


@lru_cache(maxsize=4096)
def capacity_layout(spec: PlateSpec, shape: Shape) -> tuple[Placement, ...]:
    """Best layout found of copies of one shape on the empty plate.

    Tries the free choice of rotation and each rotation alone. A layout, not a proof: more may be possible.
    """
    best: tuple[Placement, ...] = ()
    # An upper limit on the count by area keeps the request finite.
    most = int(spec.bound_area_mm2 / shape.bound_area_mm2(spec.spacing_mm)) + 1
    for turn in range(-1, len(shape.angles_deg)):
        nest = Nest(spec)
        if turn < 0:
            nest.add(shape, most)
        elif len(shape.angles_deg) > 1:
            nest.add_turned(shape, most, turn)
        if len(nest.placements) > len(best):
            best = tuple(nest.placements)
    return best


def capacity(spec: PlateSpec, shape: Shape) -> int:
    """Copies of one shape that stand on an empty plate (constructive, so always achievable); cached by content."""
    return len(capacity_layout(spec, shape))


def pack(
    spec: PlateSpec,
    demand: Demand,
    seed: int = 0,
    rounds: int = 1,
    fixed: Sequence[Placement] = (),
    fixed_shapes: Mapping[str, Shape] | None = None,
) -> PackResult:
    """Place as much of the demand as possible; deterministic for a seed, cached by content.

    Each of the ``rounds`` places the whole demand once in another order: by area, by long side, by depth, then with
    pieces that failed moved forward and random swaps. The result with the largest placed area is kept; a complete one
    ends the search. ``fixed`` pieces stand already (shapes from ``fixed_shapes`` or the demand); they are neither part
    of the demand nor of ``placed``. Raises ``ValueError`` for negative counts or unknown fixed shapes.
    """
    merged: dict[Shape, int] = {}
    for shape, count in demand:
        if count < 0:
            raise ValueError(f"a demand of {count} pieces is not possible")
        merged[shape] = merged.get(shape, 0) + count
    merged = {shape: count for shape, count in merged.items() if count}
    key = (spec, tuple((s.key, n) for s, n in merged.items()), seed, rounds, tuple(fixed))
    known = _cache.get(key)
    if known is not None:
        _cache.move_to_end(key)
        return known
    shapes = {**{s.key: s for s in merged}, **(fixed_shapes or {})}
    start = Nest.of(spec, shapes, fixed)
    result = _search(start, merged, seed, max(rounds, 1))
    _cache[key] = result
    if len(_cache) > _CACHE_LIMIT:
        _cache.popitem(last=False)
    return result


def _search(start: Nest, demand: dict[Shape, int], seed: int, rounds: int) -> PackResult:
    groups = sorted(demand.items(), key=lambda item: item[0].key)
    order = sorted(groups, key=_by_area)
    chance = random.Random(seed)
    best: PackResult | None = None
    best_area = -1.0
    for number in range(rounds):
        if number == 1:
            order = sorted(groups, key=_by_long_side)
        elif number == 2:
            order = sorted(groups, key=_by_depth)
        result, failed, area = _attempt(start, order)
        if best is None or area > best_area:
            best, best_area = result, area
        if result.complete:
            break
        order = _next_order(order, failed, chance)
    assert best is not None
    return best


def _by_area(item: tuple[Shape, int]) -> tuple[float, str]:
    return -item[0].area_mm2, item[0].key


def _by_long_side(item: tuple[Shape, int]) -> tuple[float, float, str]:
    return -max(item[0].size_mm()), -item[0].area_mm2, item[0].key


def _by_depth(item: tuple[Shape, int]) -> tuple[float, float, str]:
    return -min(item[0].size_mm()), -item[0].area_mm2, item[0].key


def _attempt(start: Nest, order: Sequence[tuple[Shape, int]]) -> tuple[PackResult, set[str], float]:
    nest = start.copy()
    already = len(nest.placements)
    left: dict[str, int] = {}
    for shape, count in order:
        missing = count - nest.add(shape, count)
        if missing:
            left[shape.key] = missing
    result = PackResult(tuple(nest.placements[already:]), left, not left)
    return result, set(left), nest.net_area_mm2


def _next_order(
    order: Sequence[tuple[Shape, int]], failed: set[str], chance: random.Random
) -> list[tuple[Shape, int]]:
    """Failed shapes some way forward, then a few random swaps of neighbours."""
    changed = list(order)
    for index, item in enumerate(order):
        if item[0].key in failed and index:
            changed.remove(item)
            changed.insert(chance.randrange(index), item)
    for _ in range(max(1, len(changed) // 4)):
        i = chance.randrange(max(1, len(changed) - 1))
        if i + 1 < len(changed):
            changed[i], changed[i + 1] = changed[i + 1], changed[i]
    return changed


def clear_caches() -> None:
    """Forget cached packings and capacities (for measurements)."""
    _cache.clear()
    capacity_layout.cache_clear()
