"""Filling one plate with a mixed demand: several orders, best result kept."""

from __future__ import annotations

import random
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

from router.nesting.nest import Nest
from router.nesting.placement import Placement
from router.nesting.plate import PlateSpec
from router.nesting.shape import Shape

Demand = Sequence[tuple[Shape, int]]

_CACHE_LIMIT = 4096
_SKIP_STEPS = 4
#: Copies that cover no more than this share of an empty plate are taken to fit without trying.
_EASY_COVER = 0.4
_SNUG_EVERY = 8
#: Above this many copies snug placing costs more time than it earns.
_SNUG_CAPACITY = 12
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

    Tries the free choice of rotation, lowest and snug, and each rotation alone; where the front edge is not straight
    also rows that start a little higher. A layout, not a proof: more may be possible.
    """
    best: tuple[Placement, ...] = ()
    # An upper limit on the count by area keeps the request finite.
    most = int(spec.bound_area_mm2 / shape.bound_area_mm2(spec.spacing_mm) * (1 + 1e-9))
    pitch = min(shape.size_mm()) + spec.spacing_mm
    skips = [pitch * step / _SKIP_STEPS for step in range(_SKIP_STEPS)] if spec.round or spec.keep_outs else [0.0]
    rotations = range(-1, len(shape.angles_deg)) if len(shape.angles_deg) > 1 else range(-1, 0)
    variants = [(False, rotation, skip) for rotation in rotations for skip in skips]
    if most <= _SNUG_CAPACITY:
        variants.append((True, -1, 0.0))
    for snug, rotation, skip in variants:
        nest = Nest(spec)
        nest.add(shape, most, snug, rotation, skip)
        if len(nest.placements) > len(best):
            best = tuple(nest.placements)
        if len(best) >= most:
            break
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

    Each of the ``rounds`` places the whole demand once: by area, then by long side and short side, and from the best
    order on with pieces that failed moved forward and a few random swaps. Every eighth round, the second included,
    places the best order snugly, which takes about eight times as long as the others. The result with the largest
    placed area is kept; a complete one ends the search. Copies of a single shape on an empty plate take
    :func:`capacity_layout` when that holds more.

    ``fixed`` pieces stand already (shapes from ``fixed_shapes`` or the demand); they are neither part of the demand
    nor of ``placed``. Raises ``ValueError`` for negative counts or unknown fixed shapes.
    """
    merged: dict[Shape, int] = {}
    for shape, count in demand:
        if count < 0:
            raise ValueError(f"a demand of {count} pieces is not possible")
        merged[shape] = merged.get(shape, 0) + count
    merged = {shape: count for shape, count in merged.items() if count}
    key = (spec, tuple(sorted((s.key, n) for s, n in merged.items())), seed, rounds, tuple(fixed))
    known = _cache.get(key)
    if known is not None:
        _cache.move_to_end(key)
        return replace(known, left=dict(known.left))
    shapes = {**{s.key: s for s in merged}, **(fixed_shapes or {})}
    start = Nest.of(spec, shapes, fixed)
    result = _search(start, merged, seed, max(rounds, 1))
    if len(merged) == 1 and not fixed and not result.complete:
        result = _at_least_layout(spec, *next(iter(merged.items())), result)
    _cache[key] = replace(result, left=dict(result.left))
    if len(_cache) > _CACHE_LIMIT:
        _cache.popitem(last=False)
    return result


def _at_least_layout(spec: PlateSpec, shape: Shape, count: int, result: PackResult) -> PackResult:
    layout = capacity_layout(spec, shape)[:count]
    if len(layout) <= len(result.placed):
        return result
    missing = count - len(layout)
    return PackResult(layout, {shape.key: missing} if missing else {}, not missing)


def _search(start: Nest, demand: dict[Shape, int], seed: int, rounds: int) -> PackResult:
    groups = sorted(demand.items(), key=lambda item: item[0].key)
    chance = random.Random(seed)
    base = sorted(groups, key=_by_area)
    best, failed, base_area = _attempt(start, base, snug=False)
    best_area = base_area
    for number in range(1, rounds):
        if best.complete:
            break
        snug = number % _SNUG_EVERY == 1
        if snug:
            order = base
        elif number - 2 < len(_ORDERS):
            order = sorted(groups, key=_ORDERS[number - 2])
        else:
            order = _next_order(base, failed, chance)
        result, missed, area = _attempt(start, order, snug)
        if not snug and area >= base_area:
            base, failed, base_area = order, missed, area
        if area > best_area or result.complete:
            best, best_area = result, area
    return best


def _by_area(item: tuple[Shape, int]) -> tuple[float, str]:
    return -item[0].area_mm2, item[0].key


def _by_long_side(item: tuple[Shape, int]) -> tuple[float, float, str]:
    return -max(item[0].size_mm()), -item[0].area_mm2, item[0].key


def _by_short_side(item: tuple[Shape, int]) -> tuple[float, float, str]:
    return -min(item[0].size_mm()), -item[0].area_mm2, item[0].key


_ORDERS = (_by_long_side, _by_short_side)


def _attempt(start: Nest, order: Sequence[tuple[Shape, int]], snug: bool) -> tuple[PackResult, set[str], float]:
    nest = start.copy()
    already = len(nest.placements)
    left: dict[str, int] = {}
    for shape, count in order:
        missing = count - nest.add(shape, count, snug)
        if missing:
            left[shape.key] = missing
    result = PackResult(tuple(nest.placements[already:]), left, not left)
    return result, set(left), nest.net_area_mm2


def _next_order(order: Sequence[tuple[Shape, int]], failed: set[str], chance: random.Random) -> list[tuple[Shape, int]]:
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


def room_for(spec: PlateSpec, shape: Shape, pieces: int) -> int:
    """How many of so many copies an empty plate takes; a few are taken to fit without trying."""
    if pieces == 1 or pieces * shape.bound_area_mm2(spec.spacing_mm) <= _EASY_COVER * spec.bound_area_mm2:
        return pieces
    return min(pieces, capacity(spec, shape))
