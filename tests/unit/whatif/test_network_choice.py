"""Choosing sites for a network: the small scenario against every choice tried, and the terms' effects."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.optimize import linprog

from router.domain.siting import SitingQuestion
from router.formats import read_scenario
from router.formats.siting_file import read_siting
from router.kernel.run import Status
from router.whatif.siting import sensitivity
from router.whatif.siting.joined import joined
from router.whatif.siting.network_choice import Case, NetworkChoice, choose_network
from router.whatif.siting.offers import Offers, offers_of
from router.whatif.siting.sensitivity import answer_by, break_even_map, tornado

ROOT = Path(__file__).resolve().parents[3]
FILE = ROOT / "scenarios" / "where_next" / "candidates.yaml"


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> tuple[SitingQuestion, Offers]:
    scenario = read_scenario(ROOT / "scenarios" / "small", tmp_path_factory.mktemp("cache"))
    question = read_siting(FILE.read_bytes(), scenario.network)
    return question, offers_of(joined(scenario, question), question.terms.plate_fill.value)


def _cost_when_bought(offers: Offers, case: Case, machines: dict[str, int]) -> float:
    """Cheapest year with these machines bought, by a linear programme written anew; their fixed costs included."""
    problem, bought = offers.problem, offers.joined.bought
    lines = sorted({o.line for o in offers.offers})
    fill, times = case.plate_fill, case.times
    hours = {m.machine_id: case.existing_hours_per_year for m in problem.machines if m.machine_id not in bought}
    fixed, places = 0.0, {}
    for machine_id, n in machines.items():
        place, package = bought[machine_id]
        hours[machine_id] = n * package.hours_per_year.value
        staff = package.staff_cents_per_year.value
        fixed += n * (staff + case.yearly(package.capex_cents.value + staff * package.ramp_up_months.value / 12))
        places[place.candidate_id] = place
    for place in places.values():
        fixed += place.fixed_cents_per_year.value + case.yearly(place.opening_cents.value)
    cost, equal, use = [], [], []
    ids = list(hours)
    for o in offers.offers:
        machine_id = problem.machines[o.machine].machine_id
        if machine_id not in hours:
            continue
        carbon = o.co2e_kg(fill) * problem.network.carbon_cents_per_kg
        cost.append(times * (o.build_cents(fill, case.rate_avoided) + o.steps_cents + o.freight_cents + carbon))
        equal.append([float(o.line == line) for line in lines])
        use.append([times * o.hours(fill) * (machine_id == i) for i in ids])
    for line in lines:
        least = min(o.hours(fill) for o in offers.offers if o.line == line)
        cost.append(times * least * case.bought_cents_per_h)
        equal.append([float(line == other) for other in lines])
        use.append([0.0] * len(ids))
    answer = linprog(
        cost, A_ub=np.array(use).T, b_ub=list(hours.values()), A_eq=np.array(equal).T, b_eq=np.ones(len(lines))
    )
    assert answer.status == 0
    return fixed + float(answer.fun)


def test_best_of_all_choices_at_one_place(asked: tuple[SitingQuestion, Offers]) -> None:
    question, offers = asked
    case = Case.of(question.terms)
    tried = {}
    for place in question.candidates:
        for nickel, steel in itertools.product(range(3), range(4)):
            machines = {f"{place.candidate_id}:nickel": nickel, f"{place.candidate_id}:steel": steel}
            kept = {m: n for m, n in machines.items() if n}
            tried[place.candidate_id, nickel, steel] = _cost_when_bought(offers, case, kept)
    found = choose_network(offers, case, 1)
    assert found.total_cents == pytest.approx(min(tried.values()), rel=1e-7)
    assert found.bound_cents == pytest.approx(found.total_cents, rel=1e-7)
    assert sum(found.parts.values()) == pytest.approx(found.total_cents)
    (opened,) = found.opened
    counts = dict(opened.machines)
    key = (opened.candidate_id, counts.get("nickel", 0), counts.get("steel", 0))
    assert tried[key] == pytest.approx(found.total_cents, rel=1e-7)


def test_shares_and_hours_add_up(asked: tuple[SitingQuestion, Offers]) -> None:
    question, offers = asked
    found = choose_network(offers, Case.of(question.terms), 2)
    for line in range(len(offers.problem.lines)):
        assert sum(share for at, _, share in found.shares if at == line) == pytest.approx(1.0)
    assert all(used <= there * (1 + 1e-6) for _, used, there in found.hours)


def test_more_freedom_never_costs_more_and_dear_machines_are_not_bought(asked: tuple[SitingQuestion, Offers]) -> None:
    question, offers = asked
    case = Case.of(question.terms)
    costs = [choose_network(offers, case, k).total_cents for k in (0, 1, 2)]
    assert costs[0] > costs[1] >= costs[2] - 1e-3
    dear = choose_network(offers, case.varied("capex_factor", 100.0), 2)
    assert dear.opened == ()
    assert dear.total_cents == pytest.approx(costs[0])


def test_a_candidate_builds_only_what_its_credentials_allow(asked: tuple[SitingQuestion, Offers]) -> None:
    question, offers = asked
    bare = replace(question, candidates=tuple(replace(c, credentials=()) for c in question.candidates))
    base = replace(offers.joined.scenario, network=_without(offers, question))
    poorer = offers_of(joined(base, bare), question.terms.plate_fill.value)

    def by_new(some: Offers) -> set[tuple[int, str]]:
        ids = [m.machine_id for m in some.problem.machines]
        return {(o.line, ids[o.machine]) for o in some.offers if ids[o.machine] in some.joined.bought}

    assert by_new(poorer) < by_new(offers)


def _without(offers: Offers, question: SitingQuestion):  # type: ignore[no-untyped-def]
    new = {c.candidate_id for c in question.candidates}
    network = offers.joined.scenario.network
    return replace(
        network,
        sites=tuple(s for s in network.sites if s.site_id not in new),
        machines=tuple(m for m in network.machines if m.site_id not in new),
        work_centres=tuple(w for w in network.work_centres if w.site_id not in new),
    )


def test_bars_and_map_agree_with_single_solves(asked: tuple[SitingQuestion, Offers]) -> None:
    question, offers = asked
    answer = answer_by(offers, 1, 60.0, 0)
    bars = tornado(question, answer)
    assert {b.name for b in bars} == {name for name, _ in question.swings}
    assert [b.width_cents for b in bars] == sorted((b.width_cents for b in bars), reverse=True)
    growth = next(b for b in bars if b.name == "growth")
    alone = choose_network(offers, Case.of(question.terms).varied("growth", growth.high), 1)
    assert growth.at_high.cents == pytest.approx(alone.total_cents)
    assert growth.at_high.cents > growth.at_low.cents
    cells = break_even_map(question, answer)
    assert len(cells) == len(question.growth_steps) * len(question.freight_steps)
    assert all(c.answer.saving_cents >= -1e-3 for c in cells)
    assert len({c.answer.label for c in cells}) > 1


def test_an_answer_the_time_ended_is_no_dearer_than_the_network_as_it_is(
    asked: tuple[SitingQuestion, Offers], monkeypatch: pytest.MonkeyPatch
) -> None:
    question, offers = asked
    case = Case.of(question.terms)
    as_is = choose_network(offers, case, 0, ())
    dear = replace(as_is, status=Status.FEASIBLE, total_cents=2 * as_is.total_cents, bound_cents=1.0)

    def ended_early(offers: Offers, case: Case, most_sites: int, **told: Any) -> NetworkChoice:
        return dear if most_sites else as_is

    monkeypatch.setattr(sensitivity, "choose_network", ended_early)
    answer = answer_by(offers, 1, 60.0, 0)(case)
    assert answer.saving_cents == 0 and answer.cents == as_is.total_cents and not answer.proven


def test_a_line_that_nobody_can_build_is_left_out_with_the_reason(asked: tuple[SitingQuestion, Offers]) -> None:
    question, offers = asked
    base = replace(offers.joined.scenario, network=_without(offers, question))
    first, *others = base.lines
    impossible = replace(first, accreditations=("NOBODY HOLDS THIS",))
    fewer = offers_of(joined(replace(base, lines=(impossible, *others)), question), question.terms.plate_fill.value)
    ((line, why),) = fewer.without
    assert fewer.problem.lines[line].line_id == first.line_id and "NOBODY HOLDS THIS" in why
    assert line not in {o.line for o in fewer.offers}
