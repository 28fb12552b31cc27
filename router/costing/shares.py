"""Who bears how much of a shared plate (RULES.md, section 4)."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from router.costing.build import BuildRates
from router.costing.loads import PieceLoad
from router.domain.plan import LineShare
from router.kernel.money import apportion

_NO_WEIGHT = 1e-100


@dataclass(frozen=True, slots=True)
class PlateMember:
    """Pieces of one kind on a plate. ``line_id`` None is a witness coupon."""

    line_id: str | None
    load: PieceLoad
    pieces: int = 1


def runway_shares(needs: Sequence[float], weights: Sequence[float] | None = None) -> list[float]:
    """Share the cost of the largest need: every increment is borne by those whose need reaches it.

    ``needs[i]`` is what i would cost alone (0 or more); of each increment i bears the share of its weight among
    those who reach it (equal shares when none weighs anything). The shares sum to ``max(needs)``. With equal
    weights this is the Shapley value of the runway game (Littlechild & Owen 1973, *Management Science* 20(3)).

    Raises ValueError for negative or non-finite needs or weights, or a length that differs.
    """
    weighs = [1.0] * len(needs) if weights is None else list(weights)
    if len(weighs) != len(needs):
        raise ValueError(f"expected a weight for each of {len(needs)} needs, found {len(weighs)}")
    if any(not math.isfinite(x) or x < 0 for x in (*needs, *weighs)):
        raise ValueError("needs and weights must be finite and not negative")
    heaviest = max(weighs, default=0.0)
    if heaviest > 0:
        # Only proportions count; a weight beyond all proportion to the heaviest is none (and would overflow).
        weighs = [w / heaviest if w > _NO_WEIGHT * heaviest else 0.0 for w in weighs]
    order = sorted(range(len(needs)), key=needs.__getitem__)
    reach = 0.0
    reaching: list[float] = [0.0] * len(order)  # total weight of those from this place in the order on
    for place in range(len(order) - 1, -1, -1):
        reach += weighs[order[place]]
        reaching[place] = reach
    shares = [0.0] * len(needs)
    per_weight = per_head = paid = 0.0
    for place, i in enumerate(order):
        slice_cost = needs[i] - paid
        if slice_cost > 0:
            if reaching[place] > 0:
                per_weight += slice_cost / reaching[place]
            else:
                per_head += slice_cost / (len(order) - place)
            paid = needs[i]
        shares[i] = per_weight * weighs[i] + per_head
    return shares


def fair_shares(
    rates: BuildRates, total_cents: int, members: Sequence[PlateMember], coupon_lines: Collection[str]
) -> tuple[int, ...]:
    """Whole cents of a build's total by line, in order of the lines' first appearance; they sum to the total.

    ``coupon_lines`` are the lines that ask for coupons: they bear the coupons' shares in proportion to the
    footprint area of their pieces. Raises ValueError for a plate without pieces of a line.
    """
    lines = _lines(members)
    layers_up = max(m.load.n_layers for m in members)
    # Pieces of one member reach equally high, so they can be taken together: weight is pieces x footprint.
    areas = [m.load.footprint_mm2 * m.pieces for m in members]
    slice_cents = rates.layer_cents
    heights = runway_shares([m.load.n_layers * slice_cents for m in members], areas)
    owns = [rates.own_cents(m.load) * m.pieces for m in members]
    setup = total_cents - slice_cents * layers_up - math.fsum(owns)
    by_area = _proportions(areas)
    exact = [h + o + setup * a for h, o, a in zip(heights, owns, by_area, strict=True)]
    return _to_lines(total_cents, lines, members, exact, coupon_lines)


def plate_step_shares(
    total_cents: int, members: Sequence[PlateMember], coupon_lines: Collection[str]
) -> tuple[int, ...]:
    """Whole cents of a plate's steps by line, by footprint area; same order and same care as ``fair_shares``."""
    areas = [m.load.footprint_mm2 * m.pieces for m in members]
    exact = [total_cents * a for a in _proportions(areas)]
    return _to_lines(total_cents, _lines(members), members, exact, coupon_lines)


def line_shares(
    rates: BuildRates,
    build_cents: int,
    plate_steps_cents: int,
    members: Sequence[PlateMember],
    coupon_lines: Collection[str],
) -> tuple[LineShare, ...]:
    """Both kinds of shares of every line on a plate, in order of first appearance."""
    lines = _lines(members)
    pieces = dict.fromkeys(lines, 0)
    for member in members:
        if member.line_id is not None:
            pieces[member.line_id] += member.pieces
    build = fair_shares(rates, build_cents, members, coupon_lines)
    steps = plate_step_shares(plate_steps_cents, members, coupon_lines)
    return tuple(LineShare(line_id, pieces[line_id], b, s) for line_id, b, s in zip(lines, build, steps, strict=True))


def _lines(members: Sequence[PlateMember]) -> list[str]:
    lines = list(dict.fromkeys(m.line_id for m in members if m.line_id is not None))
    if not lines:
        raise ValueError("a plate carries pieces of at least one line")
    return lines


def _proportions(weights: Sequence[float]) -> list[float]:
    scale = math.fsum(weights)
    return [w / scale for w in weights] if scale > 0 else [1 / len(weights)] * len(weights)


def _to_lines(
    total_cents: int,
    lines: Sequence[str],
    members: Sequence[PlateMember],
    exact: Sequence[float],
    coupon_lines: Collection[str],
) -> tuple[int, ...]:
    """Hand the coupons' shares to the lines that ask for them, then round by largest remainder."""
    share = dict.fromkeys(lines, 0.0)
    area = dict.fromkeys(lines, 0.0)
    coupons = 0.0
    for member, cents in zip(members, exact, strict=True):
        if member.line_id is None:
            coupons += cents
        else:
            share[member.line_id] += cents
            area[member.line_id] += member.load.footprint_mm2 * member.pieces
    asking = [x for x in lines if x in coupon_lines] or list(lines)
    for line_id, part in zip(asking, _proportions([area[x] for x in asking]), strict=True):
        share[line_id] += coupons * part
    # Rounding of the build's items can leave a set-up pool of a cent below nothing; no line is paid for it.
    return apportion(total_cents, [max(0.0, share[x]) for x in lines])
