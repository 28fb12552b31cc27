"""Fair shares of a plate's cost: the runway game slice by slice, set-up by footprint (RULES.md, section 4)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from router.audit.figures import whole_layers
from router.audit.melt import Body, Melt
from router.domain.alloys import ParameterSet


def build_shares(
    melt: Melt, params: ParameterSet, bodies: Sequence[Body], total_cents: int, coupons_asked: Mapping[str, bool]
) -> dict[str, float]:
    """Exact cents of the build's total that each line bears.

    `coupons_asked` says of every line on the plate whether it asks for coupons; its order is that of the result.
    """
    area = sum(b.area_mm2 for b in bodies)
    set_up_pool = total_cents - melt.height_pool - sum(melt.own)
    borne = [own + set_up_pool * b.area_mm2 / area for own, b in zip(melt.own, bodies, strict=True)]

    layers = [whole_layers(b.height_mm, params.layer_mm) for b in bodies]
    floor = 0
    for top in sorted(set(layers)):
        slice_cents = melt.height_pool * (top - floor) / max(layers)
        reach = [i for i, n in enumerate(layers) if n >= top]
        reach_area = sum(bodies[i].area_mm2 for i in reach)
        for i in reach:
            borne[i] += slice_cents * bodies[i].area_mm2 / reach_area
        floor = top
    return _by_line(borne, bodies, coupons_asked)


def plate_step_shares(bodies: Sequence[Body], total_cents: int, coupons_asked: Mapping[str, bool]) -> dict[str, float]:
    """Exact cents of the plate steps that each line bears: by footprint area, coupons passed on alike."""
    area = sum(b.area_mm2 for b in bodies)
    return _by_line([total_cents * b.area_mm2 / area for b in bodies], bodies, coupons_asked)


def _by_line(borne: Sequence[float], bodies: Sequence[Body], coupons_asked: Mapping[str, bool]) -> dict[str, float]:
    """Sum what bodies bear by line; what coupons bear goes to the lines that ask for them, by footprint area."""
    share = dict.fromkeys(coupons_asked, 0.0)
    area = dict.fromkeys(coupons_asked, 0.0)
    for_coupons = 0.0
    for cents, body in zip(borne, bodies, strict=True):
        if body.line_id is None:
            for_coupons += cents
        else:
            share[body.line_id] += cents
            area[body.line_id] += body.area_mm2
    # Coupons nobody asks for are a finding of their own; every line then bears them, so that the sum stays whole.
    payers = [line for line, asked in coupons_asked.items() if asked] or list(coupons_asked)
    payers_area = sum(area[line] for line in payers)
    for line in payers:
        share[line] += for_coupons * area[line] / payers_area
    return share
