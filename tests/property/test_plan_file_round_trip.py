"""Whatever plan or result is written as JSON is read back equal, to the last bit."""

from __future__ import annotations

import types
import typing
from dataclasses import is_dataclass
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from router.domain.plan import Plan
from router.domain.result import Result
from router.formats import plan_from_json, plan_to_json, result_from_json, result_to_json

ZONES = [UTC, timezone(timedelta(hours=-5)), timezone(timedelta(hours=5, minutes=45))]
MOMENTS = st.integers(0, 4_000_000_000).flatmap(
    lambda seconds: st.sampled_from(ZONES).map(lambda zone: datetime.fromtimestamp(seconds, zone))
)
LEAVES: dict[Any, st.SearchStrategy[Any]] = {
    int: st.integers(-(10**15), 10**15),
    float: st.floats(allow_nan=False, allow_infinity=False),
    bool: st.booleans(),
    str: st.text(st.characters(exclude_categories=["Cs"]), max_size=12),
    datetime: MOMENTS,
    date: st.dates(),
    type(None): st.none(),
}


def values_of(kind: Any) -> st.SearchStrategy[Any]:
    """Any value of a type of the domain: data classes, tuples, unions and plain values."""
    if kind in LEAVES:
        return LEAVES[kind]
    if is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        return st.builds(kind, **{name: values_of(inner) for name, inner in hints.items()})
    inside = typing.get_args(kind)
    if isinstance(kind, types.UnionType):
        return st.one_of([values_of(part) for part in inside])
    assert typing.get_origin(kind) is tuple, kind
    if inside[-1] is Ellipsis:
        return st.lists(values_of(inside[0]), max_size=2).map(tuple)
    return st.tuples(*[values_of(part) for part in inside])


relaxed = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@relaxed
@given(values_of(Plan))
def test_plan(plan: Plan) -> None:
    again = plan_from_json(plan_to_json(plan))
    assert again == plan
    assert again.now.tzinfo is UTC
    assert plan_to_json(plan_from_json(plan_to_json(again))) == plan_to_json(again)


@relaxed
@given(values_of(Result))
def test_result(result: Result) -> None:
    assert result_from_json(result_to_json(result)) == result
