"""From the optimizer's state to a plan in the terms of router/domain: exact positions, times, shares, shipments."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

from router.costing import PlateMember, line_shares
from router.domain.machines import Plate
from router.domain.plan import (
    Build,
    Changeover,
    Lot,
    PlacedPiece,
    Plan,
    Shipment,
    Totals,
    Unplanned,
)
from router.kernel.moments import to_datetime
from router.planning.plate_state import PlateState
from router.planning.problem import Problem
from router.planning.state import State

NO_PLACE = (
    "able to build it, but no place was found in the queues of its machines"
    " (credentials that lapse, changes of alloy that are never made, calendars)"
)


def publish(state: State, made_by: str, seed: int, lasting_ids: Mapping[int, str] | None = None) -> Plan:
    """The plan a state stands for. Builds are numbered by machine and start; shipments by line.

    ``lasting_ids``: identities of the plates that come from a plan kept before, by plate.
    """
    known = lasting_ids or {}
    problem = state.problem
    builds: list[Build] = []
    names = plate_names(state)
    for machine, sequence in enumerate(state.sequence):
        for position, plate_id in enumerate(sequence):
            build = _build(state, plate_id, names[plate_id], state.alloy_before(machine, position))
            builds.append(replace(build, lasting_id=known.get(plate_id, "")))
    lots: list[Lot] = []
    shipments: list[Shipment] = []
    unplanned: list[Unplanned] = []
    # Lines taken in to ask about them are no part of the plan.
    for line, wanted in enumerate(problem.scenario.lines):
        if not state.on[line]:
            unplanned.append(Unplanned(wanted.line_id, _all_reasons(problem, line)))
            continue
        for number, (site_id, plate_ids, delivery) in enumerate(state.deliveries(line), start=1):
            pieces = 0
            for plate_id in plate_ids:
                count, done, support_cm3 = state.lot(line, plate_id)
                passage = problem.lot_passage(line, site_id, support_cm3, count, done)
                pieces += count
                lots.append(
                    Lot(
                        line_id=wanted.line_id,
                        build_id=names[plate_id],
                        pieces=count,
                        ready_at=to_datetime(passage.ready),
                        outside=passage.outside,
                        cost_cents=passage.cost_cents,
                    )
                )
            shipped = delivery.shipping
            quote = shipped.quote
            shipments.append(
                Shipment(
                    shipment_id=f"{wanted.line_id}-{number}",
                    line_id=wanted.line_id,
                    site_id=site_id,
                    build_ids=tuple(names[p] for p in plate_ids),
                    pieces=pieces,
                    carrier_id=quote.carrier_id,
                    ready_at=to_datetime(shipped.ready),
                    dispatch_date=shipped.dispatch_date,
                    arrive_date=shipped.arrive_date,
                    late_days=shipped.late_days,
                    mass_kg=quote.mass_kg,
                    chargeable_kg=quote.chargeable_kg,
                    distance_km=quote.distance_km,
                    freight_cents=quote.freight_cents,
                    co2e_kg=quote.co2e_kg,
                    carbon_cents=quote.carbon_cents,
                    late_cents=shipped.late_cents,
                )
            )
    plan = Plan(
        scenario_fingerprint=problem.scenario.fingerprint,
        made_by=made_by,
        seed=seed,
        now=problem.network.now,
        builds=tuple(builds),
        lots=tuple(lots),
        shipments=tuple(shipments),
        unplanned=tuple(unplanned),
        totals=Totals(0, 0, 0, 0, 0, 0),
    )
    return replace(plan, totals=_totals(plan))


def _build(state: State, plate_id: int, name: str, loaded: str | None) -> Build:
    problem = state.problem
    plate = state.plates[plate_id]
    times = state.times[plate_id]
    machine = problem.machines[plate.machine]
    alloy_id = problem.alloy_of(plate.parameter_set_id)
    rates = problem.build_terms(plate.machine, plate.parameter_set_id).rates
    members = plate_members(problem, plate)
    # The state's own sums, not summed again in another order: half a cent must fall the same way in both.
    exposure_s = plate.exposure_h * 3600
    cost = rates.cost(plate.layers, exposure_s, plate.melted_kg)
    shares = line_shares(
        rates,
        cost.total_cents,
        times.steps_cents,
        members,
        {problem.lines[i].line_id for i in plate.items if problem.lines[i].coupons},
    )
    changeover = None
    if loaded is not None and loaded != alloy_id:
        changeover = Changeover(
            leaving_alloy_id=loaded,
            entering_alloy_id=alloy_id,
            start=to_datetime(times.changeover_start),
            end=to_datetime(times.changeover_end),
            cost_cents=times.changeover_cents,
        )
    return Build(
        build_id=name,
        machine_id=machine.machine_id,
        parameter_set_id=plate.parameter_set_id,
        changeover=changeover,
        load_start=to_datetime(times.load_start),
        run_start=to_datetime(times.run_start),
        run_end=to_datetime(times.run_end),
        unload_start=to_datetime(times.unload_start),
        unload_end=to_datetime(times.unload_end),
        pieces=_placed(problem, plate),
        height_mm=max(m.load.height_mm for m in members),
        layers=plate.layers,
        exposure_s=exposure_s,
        fill=plate_fill(machine.plate, members),
        cost=cost,
        plate_steps_cents=times.steps_cents,
        kwh=rates.kwh(plate.layers, exposure_s),
        co2e_kg=rates.co2e_kg(plate.layers, exposure_s),
        carbon_cents=rates.carbon_cents(plate.layers, exposure_s),
        shares=shares,
    )


def plate_names(state: State) -> dict[int, str]:
    """Names of the plates in the published plan: machine and place in its queue."""
    return {
        plate_id: f"{state.problem.machines[machine].machine_id}-{number:02d}"
        for machine, sequence in enumerate(state.sequence)
        for number, plate_id in enumerate(sequence, start=1)
    }


def plate_members(problem: Problem, plate: PlateState, without: int | None = None) -> list[PlateMember]:
    """What stands on a plate, coupons last; ``without`` leaves one line out."""
    members = [
        PlateMember(problem.lines[i].line_id, item.choice.load, item.pieces)
        for i, item in plate.items.items()
        if i != without
    ]
    if plate.coupons:
        members.append(PlateMember(None, problem.coupon(plate.machine, plate.parameter_set_id), plate.coupons))
    return members


def plate_fill(plate: Plate, members: Sequence[PlateMember]) -> float:
    """Net footprint area over the plate's area inside the edge margin."""
    return math.fsum(m.load.footprint_mm2 * m.pieces for m in members) / plate.inner_area_mm2


def _placed(problem: Problem, plate: PlateState) -> tuple[PlacedPiece, ...]:
    """Positions handed out to the lines: pieces of one shape are alike, so any of them will do."""
    wanted: dict[str, list[tuple[str | None, str, int]]] = {}
    for i, item in plate.items.items():
        wanted.setdefault(item.choice.shape.key, []).append(
            (problem.lines[i].line_id, item.choice.orientation, item.pieces)
        )
    if plate.coupons:
        wanted.setdefault(problem.coupon_shape.key, []).append((None, "coupon", plate.coupons))
    queue = {
        key: [(line_id, orientation) for line_id, orientation, pieces in entries for _ in range(pieces)]
        for key, entries in wanted.items()
    }
    taken: Counter[str] = Counter()
    pieces = []
    for placement in plate.nest.placements:
        line_id, orientation = queue[placement.shape_key][taken[placement.shape_key]]
        taken[placement.shape_key] += 1
        pieces.append(PlacedPiece(line_id, orientation, placement.x_mm, placement.y_mm, placement.angle_deg))
    if any(taken[key] != len(entries) for key, entries in queue.items()):
        raise ValueError(f"plate {plate.plate_id}: the nest does not hold what the plate carries")
    return tuple(pieces)


def _all_reasons(problem: Problem, line: int) -> tuple[str, ...]:
    line_id = problem.lines[line].line_id
    reasons = []
    for site in problem.network.sites:
        why_not = problem.eligibility.why_not(line_id, site.site_id)
        reasons += [f"{site.name}: {why}" for why in why_not or (NO_PLACE,)]
    return tuple(reasons)


def _totals(plan: Plan) -> Totals:
    return Totals(
        build_cents=sum(b.cost.total_cents for b in plan.builds),
        changeover_cents=sum(b.changeover.cost_cents for b in plan.builds if b.changeover),
        after_build_cents=sum(b.plate_steps_cents for b in plan.builds) + sum(x.cost_cents for x in plan.lots),
        freight_cents=sum(s.freight_cents for s in plan.shipments),
        carbon_cents=sum(b.carbon_cents for b in plan.builds) + sum(s.carbon_cents for s in plan.shipments),
        lateness_cents=sum(s.late_cents for s in plan.shipments),
    )
