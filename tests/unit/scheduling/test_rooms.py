"""What finds room: sums of sizes and real outlines."""

from __future__ import annotations

import functools

import pytest
from exact_rectangles import ExactRectangles
from toy_scenario import toy_scenario

from router.nesting import Nest, confirm
from router.planning.compiled import compiled
from router.planning.problem import Problem
from router.scheduling.rooms import NestRooms, SumRooms


def test_a_sum_takes_as_many_pieces_as_do_not_pass_the_size() -> None:
    rooms = SumRooms([3.0, 0.0], [10.0, 2.0])
    held, placed = rooms.more(rooms.empty(0), 0, 0, 5)
    assert (held, placed) == (9.0, 3)
    assert rooms.more(held, 0, 0, 1) == (9.0, 0)
    assert rooms.more(held, 0, 1, 7) == (9.0, 7)
    assert rooms.less(held, 0, {0: 2}) == 3.0
    assert rooms.more(rooms.empty(1), 1, 0, 1)[1] == 0


def test_exact_rectangles_try_every_arrangement() -> None:
    rooms = ExactRectangles([(3, 1), (1, 3), (2, 2), (1, 1)], [(3, 4)])
    # A 3 x 4 board: a bar along one edge, three standing bars beside it.
    assert rooms.fits(0, (0, 1, 1, 1))
    assert not rooms.fits(0, (0, 0, 2, 2))  # cells enough, but two squares do not stand side by side
    held, placed = rooms.more(rooms.empty(0), 0, 2, 5)
    assert placed == 2
    assert rooms.less(held, 0, {2: 1}) == (2,)


@functools.cache
def _problem() -> Problem:
    return Problem(toy_scenario(12, seed=1))


@pytest.fixture
def outlines() -> NestRooms:
    """Rooms that remember nothing yet."""
    return compiled(_problem()).rooms


def test_a_nest_is_filled_and_emptied_by_value(outlines: NestRooms) -> None:
    empty = outlines.empty(0)
    first, placed = outlines.more(empty, 0, 0, 2)
    assert placed == 2
    second, more = outlines.more(first, 0, 1, 1)
    assert more == 1
    assert [len(outlines.nest(h).placements) for h in (empty, first, second)] == [0, 2, 3]
    fewer = outlines.less(second, 0, {0: 1})
    assert len(outlines.nest(second).placements) == 3
    left = outlines.nest(fewer)
    assert len(left.placements) == 2
    key = outlines.nest(first).placements[0].shape_key
    assert sum(p.shape_key == key for p in left.placements) == 1


def test_taking_pieces_off_is_put_off_until_somebody_asks(outlines: NestRooms) -> None:
    held, _ = outlines.more(outlines.empty(0), 0, 0, 3)
    once = outlines.less(held, 0, {0: 1})
    twice = outlines.less(once, 0, {0: 1})
    assert once.known_nest is None and twice.known_nest is None
    assert len(outlines.nest(twice).placements) == 1
    assert twice.known_nest is not None
    assert outlines.nest(twice) is outlines.nest(twice), "worked out once"
    # What was asked for on the way is remembered too, and the contents themselves are unchanged.
    assert len(outlines.nest(once).placements) == 2
    assert len(outlines.nest(held).placements) == 3


def test_how_many_found_room_is_remembered_and_asked_no_second_time(
    outlines: NestRooms, monkeypatch: pytest.MonkeyPatch
) -> None:
    held, _ = outlines.more(outlines.empty(0), 0, 0, 1)
    assert outlines.known_most(held, 1) is None
    _, most = outlines.more(held, 0, 1, 500)
    assert 0 < most < 500 and outlines.known_most(held, 1) == most
    full, same = outlines.more(held, 0, 1, most)
    assert same == most
    assert outlines.more(full, 0, 1, 1)[1] == 0 and outlines.known_most(full, 1) == 0
    monkeypatch.setattr(Nest, "add", lambda *_: pytest.fail("nested again"))
    assert outlines.more(held, 0, 1, 400)[1] == most
    assert outlines.more(full, 0, 1, 3)[1] == 0
    # The same pieces on the same places, remembered: what was found out about them is theirs too.
    again, _ = outlines.more(held, 0, 1, most)
    assert outlines.known_most(again, 1) == 0


def test_room_given_back_is_room(outlines: NestRooms) -> None:
    full, most = outlines.more(outlines.empty(0), 0, 0, 500)
    assert outlines.more(full, 0, 0, 1)[1] == 0
    lighter = outlines.less(full, 0, {0: 2})
    again, placed = outlines.more(lighter, 0, 0, 5)
    assert placed >= 2
    assert len(outlines.nest(again).placements) == most - 2 + placed


def test_pieces_of_a_nest_keep_apart(outlines: NestRooms) -> None:
    held, _ = outlines.more(outlines.empty(0), 0, 0, 3)
    held, _ = outlines.more(held, 0, 1, 3)
    nest = outlines.nest(held)
    assert len(nest.placements) == 6
    assert confirm(nest.spec, nest.shapes, nest.placements) == []


def test_pieces_put_back_find_the_places_they_had(outlines: NestRooms) -> None:
    held, _ = outlines.more(outlines.empty(0), 0, 0, 2)
    held, placed = outlines.more(held, 0, 1, 1)
    assert placed == 1
    again, placed = outlines.more(outlines.less(held, 0, {0: 1}), 0, 0, 1)
    assert placed == 1
    assert sorted(map(repr, outlines.nest(again).placements)) == sorted(map(repr, outlines.nest(held).placements))
