"""What every machine, there or to be bought, asks for every order line of the history."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from router.planning.problem import Problem
from router.whatif.siting.joined import Joined


@dataclass(frozen=True, slots=True)
class Offer:
    """One line of the history, all its pieces, on one machine. Cents and hours; unrounded.

    ``own_*`` belongs to the pieces, ``shared_*`` is their part of a full plate: on plates filled to a share it is
    divided by that share. Steps of the whole plate are in ``shared_cents``.
    """

    line: int
    machine: int
    own_h: float
    shared_h: float
    own_cents: float
    shared_cents: float
    own_co2e_kg: float
    shared_co2e_kg: float
    rate_cents_per_h: float
    """Hourly rate of the machine, in ``own_cents`` and ``shared_cents``; nothing for one to be bought."""
    steps_cents: float
    freight_cents: float
    freight_co2e_kg: float

    def hours(self, fill: float) -> float:
        return self.own_h + self.shared_h / fill

    def build_cents(self, fill: float, rate_avoided: float = 1.0) -> float:
        paid_anyway = (1 - rate_avoided) * self.rate_cents_per_h * self.hours(fill)
        return self.own_cents + self.shared_cents / fill - paid_anyway

    def co2e_kg(self, fill: float) -> float:
        return self.own_co2e_kg + self.shared_co2e_kg / fill + self.freight_co2e_kg


@dataclass(frozen=True, slots=True)
class Offers:
    """All offers. ``without``: lines nobody could build, with the commonest reason."""

    problem: Problem
    joined: Joined
    offers: tuple[Offer, ...]
    without: tuple[tuple[int, str], ...]

    @property
    def carbon_cents_per_kg(self) -> float:
        return self.problem.network.carbon_cents_per_kg


def offers_of(joined: Joined, fill: float) -> Offers:
    """Offers of every machine that may build a line, each in its cheapest orientation at that plate fill."""
    problem = Problem(joined.scenario)
    found: list[Offer] = []
    without: list[tuple[int, str]] = []
    for line in range(len(problem.lines)):
        made = [_offer(problem, line, machine, fill) for machine in problem.machines_for(line)]
        offers = [o for o in made if o is not None]
        found += offers
        if not offers:
            without.append((line, _why(problem, line)))
    return Offers(problem, joined, tuple(found), tuple(without))


def _offer(problem: Problem, line: int, machine: int, fill: float) -> Offer | None:
    wanted, site_id = problem.lines[line], problem.machines[machine].site_id
    quotes = problem.desk.quotes(site_id, wanted.ship_to, problem.part_kg[line], problem.box_cm3[line], wanted.quantity)
    if not quotes:
        return None
    rates = problem.build_terms(machine, wanted.parameter_set_id).rates
    plate_mm2 = problem.specs[machine].bound_area_mm2
    att_h = (problem.machines[machine].load_min + problem.machines[machine].unload_min) / 60
    n = wanted.quantity
    best: Offer | None = None
    for choice in problem.choices(line, machine):
        share = n * choice.bound_area_mm2 / plate_mm2
        exposure_s = choice.load.exposure_h * 3600
        idle = rates.co2e_kg(0, 0.0)
        steps = problem.lot_ready(line, site_id, choice.support_cm3, n, problem.now)[1]
        codes = (wanted.export_control,) if wanted.export_control else ()
        full_kg = choice.load.melted_kg * plate_mm2 / choice.bound_area_mm2
        plate_steps = problem.plate_done(site_id, wanted.alloy_id, codes, problem.now, full_kg)[1]
        offer = Offer(
            line=line,
            machine=machine,
            own_h=n * choice.load.exposure_h,
            shared_h=share * (rates.run_s(choice.layers, 0.0) / 3600 + att_h),
            own_cents=n * rates.own_cents(choice.load),
            shared_cents=share * (rates.start_cents + choice.layers * rates.layer_cents + plate_steps),
            own_co2e_kg=n * (rates.co2e_kg(0, exposure_s) - idle),
            shared_co2e_kg=share * rates.co2e_kg(choice.layers, 0.0),
            rate_cents_per_h=float(problem.machines[machine].rate_cents_per_h),
            steps_cents=float(steps),
            freight_cents=float(quotes[0].freight_cents),
            freight_co2e_kg=quotes[0].co2e_kg,
        )
        if best is None or offer.build_cents(fill) < best.build_cents(fill):
            best = offer
    return best


def _why(problem: Problem, line: int) -> str:
    said: Counter[str] = Counter()
    line_id = problem.lines[line].line_id
    for site in problem.network.sites:
        reasons = [r.sentence for r in problem.site_verdict(line, site.site_id).reasons]
        if not reasons:
            on_site = [m for m in problem.machines if m.site_id == site.site_id]
            verdicts = [problem.eligibility.machines[line_id, m.machine_id].reasons for m in on_site]
            reasons = [r.sentence for rs in verdicts for r in rs[:1]]
        said.update(dict.fromkeys(reasons, 1))
    return said.most_common(1)[0][0] if said else "no machine"
