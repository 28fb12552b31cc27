"""The tables of what can follow what on the floor, every pair of state and event."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from router.service.floor import BUILDS, MACHINES, OF_BUILDS, OF_MACHINES, BuildState, MachineState, played
from router.service.records import EventKind, EventRecord

START = datetime(2027, 3, 1, 6, tzinfo=UTC)
_TO = {
    BuildState.WAITING: (),
    BuildState.RUNNING: (EventKind.BUILD_STARTED,),
    BuildState.FINISHED: (EventKind.BUILD_STARTED, EventKind.BUILD_FINISHED),
    BuildState.FAILED: (EventKind.BUILD_STARTED, EventKind.BUILD_FAILED),
}
_TO_MACHINE = {MachineState.UP: (), MachineState.DOWN: (EventKind.MACHINE_DOWN,)}


def told(number: int, kind: EventKind, subject: str = "M1-01", **details: Any) -> EventRecord:
    """An event so many hours after the start; of builds with what a start tells."""
    at = START + timedelta(hours=number)
    facts = {"machine_id": "M1", "alloy_id": "x", "pieces": {"a": 1}, "free_at": at.isoformat(), "plan_id": 1}
    own = kind in OF_BUILDS
    return EventRecord(
        number, kind, at, at, "bo", "lyon", subject, (facts if own else {}) | details, subject if own else None
    )


@pytest.mark.parametrize("state", list(BuildState))
@pytest.mark.parametrize("kind", sorted(OF_BUILDS))
def test_a_build_goes_only_where_the_table_leads(state: BuildState, kind: EventKind) -> None:
    before = [told(n, k) for n, k in enumerate(_TO[state], start=1)]
    floor = played([*before, told(9, kind)])
    after = BUILDS.get((state, kind))
    stands = floor.builds["M1-01"].state if floor.builds else BuildState.WAITING
    assert stands is (after or state)
    assert [m.event.event_id for m in floor.misfits] == ([] if after else [9])
    for misfit in floor.misfits:
        assert "M1-01" in misfit.why and kind.value in misfit.why and state.value in misfit.why
        allowed = [k.value for s, k in BUILDS if s is state]
        assert all(word in misfit.why for word in allowed) and allowed


@pytest.mark.parametrize("state", list(MachineState))
@pytest.mark.parametrize("kind", sorted(OF_MACHINES))
def test_a_machine_goes_only_where_the_table_leads(state: MachineState, kind: EventKind) -> None:
    before = [told(n, k, "M1") for n, k in enumerate(_TO_MACHINE[state], start=1)]
    floor = played([*before, told(9, kind, "M1")])
    after = MACHINES.get((state, kind))
    assert (floor.machines["M1"].state if "M1" in floor.machines else MachineState.UP) is (after or state)
    assert len(floor.misfits) == (0 if after else 1)


def test_pieces_count_while_they_are_made_or_sound() -> None:
    one = told(1, EventKind.BUILD_STARTED, pieces={"a": 3})
    scrapped = told(2, EventKind.PIECES_SCRAPPED, pieces={"a": 2})
    assert played([one]).pieces() == {"a": 3}
    assert played([one, scrapped]).pieces() == {"a": 1}
    assert played([one, scrapped, told(3, EventKind.BUILD_FAILED)]).pieces() == {}
    again = told(4, EventKind.BUILD_STARTED, pieces={"a": 3})
    assert played([one, scrapped, told(3, EventKind.BUILD_FAILED), again]).pieces() == {"a": 3}


def test_one_build_at_a_time_and_what_was_wrong_before_counts_once() -> None:
    one, twice = told(1, EventKind.BUILD_STARTED), told(2, EventKind.BUILD_STARTED)
    other = told(3, EventKind.BUILD_STARTED, "M1-02")
    floor = played([one, twice, other])
    assert floor.pieces() == {"a": 1} and [m.event.event_id for m in floor.misfits] == [2, 3]
    assert "M1 runs build M1-01" in floor.misfits[1].why
    withdrawn = told(4, EventKind.EVENT_WITHDRAWN, "M1-01", withdraws=1)
    assert list(played([one, other, withdrawn]).builds) == ["M1-02"]
