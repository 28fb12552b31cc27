"""Key figures of a simulated stretch, counted over the orders received in it."""

from __future__ import annotations

from collections.abc import Collection

from router.domain.carriers import Carrier
from router.freight.lanes import Lane
from router.freight.quotes import zone_of
from router.kernel.moments import to_minute
from router.planning.problem import Problem
from router.whatif.rolling.life import Life

Figures = dict[str, float]
"""By name; see ``FIGURES`` for what each is and whether more of it is better."""

FIGURES: dict[str, tuple[str, str]] = {
    "lines_not_placed": ("lines not built", "lines received that nobody could build, asked again for some days"),
    "landed_cents": ("landed cost", "of the lines received: their shares of builds, steps, freight, carbon, lateness"),
    "landed_cents_a_line": ("landed cost a line", "of the lines built"),
    "build_cents": ("builds", "with changes of alloy and plate steps, by share of plate area"),
    "after_cents": ("after the build", "steps, freight, its carbon, lateness"),
    "lines": ("lines received", "in the stretch that counts"),
    "late_share": ("late lines", "share that arrives after the due date"),
    "late_days_a_line": ("days late a line", "mean, lines in time counted as 0"),
    "promise_kept_share": ("promises kept", "share that arrives by the day promised on acceptance"),
    "mean_cover": ("plate cover", "share of a plate that pieces and their spacing take, mean over builds"),
    "utilisation": ("machine use", "hours of run over calendar hours of all machines"),
    "builds": ("builds begun", "in the stretch that counts"),
    "km": ("kilometres", "of all shipments"),
    "co2e_kg": ("kg CO2e", "electricity of builds by share, and transport"),
    "near_share": ("printed near", "share of lines built within the near distance of their customer, by road"),
    "next_day_share": ("next day", "share of lines whose shipments take one working day"),
    "lead_days": ("days to arrival", "mean calendar days from receipt"),
}
"""Short name and what it is."""


def figures_of(life: Life, first_minute: int, last_minute: int, near_km: float) -> Figures:
    """Figures of the lines received in ``first_minute <= moment < last_minute``.

    A build's cost, hours and electricity count by the share of its covered area that these lines take, so that lines
    sharing a plate with orders outside the stretch bear their part only.
    """
    problem = life.problem
    received = [to_minute(x.received_at) for x in problem.lines]
    counted = {i for i, at in enumerate(received) if first_minute <= at < last_minute}
    placed = [i for i in counted if life.arrivals[i] is not None]
    build_cents, kwh_kg, covers, run_h = _builds(life, counted, first_minute, last_minute)
    after = late = kept = near = next_day = 0
    late_days = km = freight_kg = lead = 0.0
    for i in placed:
        found = life.arrivals[i]
        assert found is not None
        after += found.cents
        late += found.late_days > 0
        late_days += found.late_days
        kept += found.day <= life.promised[i]
        lead += found.day - problem.lines[i].received_at.date().toordinal()
        roads = []
        for leg in found.legs:
            lane = problem.desk.lane(problem.network.sites[leg.site].site_id, problem.lines[i].ship_to)
            carrier = _carrier(problem, lane, leg.carrier)
            distance = lane.distance_km(carrier.by_air)
            km += distance
            freight_kg += distance * leg.mass_kg * carrier.kg_co2e_per_tonne_km / 1000
            roads.append(lane.road_km)
        near += max(roads) <= near_km
        next_day += all(leg.transit_days <= 1 for leg in found.legs)
    many = max(1, len(placed))
    machine_h = len(problem.machines) * (last_minute - first_minute) / 60
    return {
        "landed_cents": build_cents + after,
        "landed_cents_a_line": (build_cents + after) / many,
        "build_cents": build_cents,
        "after_cents": float(after),
        "lines": float(len(counted)),
        "lines_not_placed": float(len(counted) - len(placed)),
        "late_share": late / many,
        "late_days_a_line": late_days / many,
        "promise_kept_share": kept / many,
        "mean_cover": sum(covers) / len(covers) if covers else 0.0,
        "utilisation": run_h / machine_h,
        "builds": float(len(covers)),
        "km": km,
        "co2e_kg": kwh_kg + freight_kg,
        "near_share": near / many,
        "next_day_share": next_day / many,
        "lead_days": lead / many,
    }


def _builds(
    life: Life, counted: Collection[int], first_minute: int, last_minute: int
) -> tuple[float, float, list[float], float]:
    """Cents and kg CO2e by share of the counted lines; covers and run hours of the builds begun in the stretch."""
    network = life.problem.network
    cents = kg = run_h = 0.0
    covers = []
    for build in life.builds:
        machine = network.machines[build.machine]
        total = sum(area for _, area in build.area_by_line)
        share = sum(area for line, area in build.area_by_line if line in counted) / total if total else 0.0
        cents += share * build.cents
        kg += share * build.run_h * machine.power_kw * network.site[machine.site_id].grid_kg_co2e_per_kwh
        if first_minute <= build.run_start < last_minute:
            covers.append(build.cover)
            run_h += build.run_h
    return cents, kg, covers, run_h


def _carrier(problem: Problem, lane: Lane, which: int) -> Carrier:
    """The carrier of a leg: the arrays hold those whose tables reach, in the order of the network."""
    reaching = [c for c in problem.network.carriers if zone_of(c, lane.distance_km(c.by_air)) is not None]
    return reaching[which]
