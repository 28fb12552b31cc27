"""After a change the look at what differs finds exactly what a whole audit finds, faulty edit or sound one."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from test_audit_perturbed import figures, put

import scenarios
from router.audit import audit, audit_change
from router.audit.scope import changed_part
from router.domain.network import Scenario
from router.domain.plan import Plan, Unplanned
from router.formats import read_scenario
from router.planning import RunParams, plan_scenario
from router.planning.live import LivePlan
from router.planning.moves import move_build


@pytest.fixture(scope="module")
def small() -> tuple[Scenario, Plan]:
    scenario = read_scenario(Path(scenarios.__file__).parent / "small")
    return scenario, plan_scenario(scenario, RunParams(seed=5, seconds=None, work=20)).plan


def other_figure(rng: random.Random, plan: Plan) -> Plan:
    """One figure somewhere in the plan, a little or very wrong."""
    path, value = rng.choice(list(figures(plan)))
    new: Any
    by = rng.choice((-40, -1, 1, 40))
    if isinstance(value, datetime):
        new = value + timedelta(minutes=by)
    elif isinstance(value, date):
        new = value + timedelta(days=by)
    elif isinstance(value, float):
        new = rng.choice((value + by * 1e-3, value + by, math.nan))
    else:
        new = rng.choice((value + by, -1, float(value)))
    return put(plan, path, new)


def other_name(rng: random.Random, plan: Plan) -> Plan:
    """A build on another machine or under another's name, a lot or a shipment of another line."""
    n = rng.randrange(len(plan.builds))
    other = rng.choice(plan.builds)
    k = rng.randrange(len(plan.lots))
    s = rng.randrange(len(plan.shipments))
    line_id = rng.choice(plan.lots).line_id
    return rng.choice(
        (
            put(plan, ("builds", n, "machine_id"), rng.choice((other.machine_id, "no machine"))),
            put(plan, ("builds", n, "build_id"), rng.choice((other.build_id, "no build"))),
            put(plan, ("lots", k, "line_id"), rng.choice((line_id, "no line"))),
            put(plan, ("lots", k, "build_id"), other.build_id),
            put(plan, ("shipments", s, "line_id"), line_id),
            put(plan, ("shipments", s, "build_ids"), (other.build_id,)),
            put(plan, ("shipments", s, "carrier_id"), rng.choice(plan.shipments).carrier_id),
        )
    )


def something_gone(rng: random.Random, plan: Plan) -> Plan:
    """A build, lot, shipment or piece gone, or there twice."""
    name = rng.choice(("builds", "lots", "shipments"))
    values = getattr(plan, name)
    n = rng.randrange(len(values))
    if name == "builds" and rng.random() < 0.5:
        pieces = values[n].pieces
        cut = rng.randrange(len(pieces))
        moved = (*values[n - 1].pieces, pieces[cut])
        plan = put(plan, ("builds", n, "pieces"), pieces[:cut] + pieces[cut + 1 :])
        return put(plan, ("builds", n - 1, "pieces"), moved) if rng.random() < 0.5 else plan
    kept = values[:n] + values[n + 1 :] if rng.random() < 0.7 else (*values, values[n])
    return replace(plan, **{name: kept})


def left_out(rng: random.Random, plan: Plan) -> Plan:
    """A line said to be left out, with or without a reason."""
    line_id = rng.choice(plan.lots).line_id
    return replace(plan, unplanned=(*plan.unplanned, Unplanned(line_id, rng.choice(((), ("a reason",))))))


EDITS: tuple[Callable[[random.Random, Plan], Plan], ...] = (
    other_figure,
    other_figure,
    other_figure,
    other_name,
    something_gone,
    left_out,
)


@pytest.mark.parametrize("which", ["by hand", "small"])
def test_what_changed_is_judged_as_by_a_whole_audit(
    which: str, scenario: Scenario, plan: Plan, small: tuple[Scenario, Plan]
) -> None:
    if which == "small":
        scenario, plan = small
    assert audit(scenario, plan).clean
    rng = random.Random(11)
    faulty = partly = 0
    for _ in range(150):
        edited = plan
        for _ in range(rng.choice((1, 1, 2, 3))):
            edited = rng.choice(EDITS)(rng, edited)
        whole, part = audit(scenario, edited), audit_change(scenario, plan, edited)
        assert part.findings == whole.findings
        assert part.totals == whole.totals
        faulty += bool(whole.findings)
        scope = changed_part(plan, edited)
        partly += scope is not None and len(scope.lines) < len(scenario.lines)
    assert faulty >= 100 and partly >= 75


def test_a_sound_move_is_clean_and_less_is_looked_at(small: tuple[Scenario, Plan]) -> None:
    scenario, plan = small
    live = LivePlan(scenario, plan)
    done = 0
    for build in plan.builds:
        for machine in scenario.network.machines:
            moved = move_build(live, build.build_id, machine.machine_id, None)
            if moved.plan is None or moved.plan.builds == plan.builds:
                continue
            part = audit_change(scenario, plan, moved.plan)
            assert part.clean
            done += 1
            whole = dict(audit(scenario, moved.plan).checked)
            assert sum(dict(part.checked).values()) <= sum(whole.values())
    assert done >= 3


def test_nothing_changed_is_nothing_to_judge(scenario: Scenario, plan: Plan) -> None:
    scope = changed_part(plan, plan)
    assert scope is not None and not scope.machines and not scope.lines and not scope.builds
    assert audit_change(scenario, plan, plan).clean
