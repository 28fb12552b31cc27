"""Whole plates move only where every line on them may go."""

from __future__ import annotations

from dataclasses import replace

import pytest
from toy_scenario import box_part, toy_scenario

from router.planning.insertion import new_plate
from router.planning.problem import Problem
from router.planning.relocation import moved, relocate
from router.planning.state import State, Undo


def two_plates(may_split: bool) -> State:
    """One nickel line on two plates of M1; M1 and M5 (cleared of titanium) have the same plate."""
    scenario = toy_scenario(1, 5)
    line = replace(
        scenario.lines[0],
        model="block.stl",
        alloy_id="NI",
        parameter_set_id="NI-40",
        steps=(),
        coupons=0,
        quantity=8,
        own_plate=False,
        accreditations=(),
        approved_sites=(),
        as_modelled=True,
        may_split_sites=may_split,
    )
    machines = tuple(replace(m, loaded_alloy_id="NI") if m.machine_id == "M5" else m for m in scenario.network.machines)
    problem = Problem(
        replace(
            scenario,
            lines=(line,),
            parts={"block.stl": box_part("block", 100.0, 100.0, 40.0)},
            network=replace(scenario.network, machines=machines),
        )
    )
    state = State(problem)
    choice = problem.choices(0, 0)[0]
    for _ in range(2):
        opened = new_plate(problem, 0, 0, choice, 4, state.new_plate_id())
        assert opened is not None and opened[1] == 4
        assert state.change(0, (*state.sequence[0], opened[0].plate_id), {opened[0].plate_id: opened[0]}) is not None
    return state


@pytest.mark.parametrize("may_split", [False, True])
def test_half_a_line_changes_site_only_if_it_may_be_split(may_split: bool) -> None:
    state = two_plates(may_split)
    plate = state.plates[state.sequence[0][1]]
    there = moved(state, plate, 4)
    assert (there is not None) is may_split
    if there is not None:
        assert there.machine == 4
        assert there.items[0].pieces == 4


def test_relocating_keeps_an_unsplit_line_at_its_site_and_undoes_exactly() -> None:
    state = two_plates(False)
    before = (state.total_cents, list(state.sequence))
    journal: list[Undo] = []
    assert relocate(state, state.sequence[0][1], journal)
    assert {state.problem.machines[state.plates[p].machine].site_id for p in state.on[0]} == {"S1"}
    state.undo_to(journal, 0)
    assert (state.total_cents, list(state.sequence)) == before
