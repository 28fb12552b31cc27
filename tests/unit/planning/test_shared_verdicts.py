"""Verdicts shared by kind, machine class, profile and lane say what asking one by one would say."""

from __future__ import annotations

from dataclasses import replace

import pytest
from toy_scenario import box_part, toy_scenario

from router.freight import quotes
from router.nesting import KeepOut, Nest, PlateSpec
from router.planning.problem import Problem
from router.planning.standing import Standing


def test_lines_of_a_kind_share_their_choices() -> None:
    scenario = toy_scenario(60, 3)
    problem = Problem(scenario)
    assert len(problem.kind) == 60
    assert set(problem.kind) == set(range(problem.n_kinds))
    assert set(problem.machine_class) == set(range(problem.n_machine_classes))
    assert problem.n_kinds < 60
    asked = refused = 0
    for i, line in enumerate(scenario.lines):
        for m, machine in enumerate(problem.machines):
            shared = problem.kind_choices(problem.kind[i], problem.machine_class[m])
            if problem.site_verdict(i, machine.site_id).reasons:
                refused += 1
                assert problem.choices(i, m) == ()
                assert problem.possible_choices(i, m) == problem.all_choices(i, m) == ()
                continue
            asked += 1
            assert problem.choices(i, m) is shared
            possible = problem.eligibility.machines[line.line_id, machine.machine_id].choices
            assert set(shared) <= set(possible)
            assert bool(shared) == bool(possible) == (m in problem.machines_for(i))
    assert asked and refused


def test_a_kind_alone_gets_the_same_verdicts() -> None:
    scenario = toy_scenario(40, 8)
    together = Problem(scenario)
    for i, line in enumerate(scenario.lines[:12]):
        alone = Problem(replace(scenario, lines=(line,)))
        for m, machine in enumerate(together.machines):
            assert alone.choices(0, m) == together.choices(i, m)
            assert alone.all_choices(0, m) == together.all_choices(i, m)
            key = (line.line_id, machine.machine_id)
            assert alone.eligibility.machines[key] == together.eligibility.machines[key]
        for site in scenario.network.sites:
            assert alone.eligibility.why_not(line.line_id, site.site_id) == together.eligibility.why_not(
                line.line_id, site.site_id
            )


def test_machines_that_melt_faster_are_a_class_of_their_own() -> None:
    scenario = toy_scenario(5, 1)
    machines = scenario.network.machines
    twin = replace(machines[0], machine_id="TWIN", rate_cents_per_h=machines[0].rate_cents_per_h + 1)
    fast = replace(machines[0], machine_id="FAST", lasers=machines[0].lasers + 1)
    network = replace(scenario.network, machines=(*machines, twin, fast))
    classes = Problem(replace(scenario, network=network)).machine_class
    assert classes[-2] == classes[0]
    assert classes[-1] != classes[0]


@pytest.mark.parametrize("factor", [1, 40, 400, 4000])
def test_a_carrier_refuses_where_nobody_quotes(factor: int) -> None:
    scenario = toy_scenario(30, 2)
    lines = tuple(replace(x, quantity=x.quantity * factor) for x in scenario.lines)
    problem = Problem(replace(scenario, lines=lines))
    for i, line in enumerate(lines):
        for site in scenario.network.sites:
            offers = quotes(
                scenario.network, site.site_id, line.ship_to, problem.part_kg[i], problem.box_cm3[i], line.quantity
            )
            codes = {r.code for r in problem.site_verdict(i, site.site_id).reasons}
            assert ("carrier" in codes) == (not offers)


PLATES = (
    PlateSpec(120.0, 120.0, False, 4.0, 2.5, ()),
    PlateSpec(120.0, 100.0, False, 5.0, 3.0, (KeepOut(11.0, 11.0, 7.0), KeepOut(109.0, 89.0, 7.0))),
    PlateSpec(100.0, 100.0, True, 2.0, 1.0, ()),
)


@pytest.mark.parametrize("spec", PLATES)
@pytest.mark.parametrize("coupons", [0, 1, 3])
def test_quick_answers_agree_with_the_nesting_engine(spec: PlateSpec, coupons: int) -> None:
    standing = Standing(toy_scenario(1, 0).network)
    answers = set()
    for wide in (15.0, 60.0, 75.0, 90.0, 100.0, 109.0, 118.0, 160.0):
        for deep in (12.0, 55.0, 70.0, 85.0, 95.0, 112.0):
            part = box_part(f"{wide} {deep}", wide, deep, 10.0)
            shape = standing.shape(part, part.orientations[0])
            nest = Nest(spec)
            nested = nest.add(standing.coupon, coupons) == coupons and nest.add(shape, 1) == 1
            assert standing.stands(spec, shape, coupons) == nested, (wide, deep)
            if standing.never(spec, shape):
                assert not nested
            answers.add(nested)
    assert answers == {True, False}
