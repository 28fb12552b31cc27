"""Whatever figure of a sound plan is changed, the auditor notices; and no garbage makes it fall over."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from router.audit import audit
from router.domain.network import Scenario
from router.domain.plan import Plan

Path = tuple[str | int, ...]

FREE = {"x_mm", "y_mm", "angle_deg", "seed"}
"""Where a piece lies is free as long as nothing is touched, and the seed is nobody's fault."""

QUIET = settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])


def figures(value: Any, path: Path = ()) -> Iterator[tuple[Path, Any]]:
    """Every number, time and date inside a plan, with the way to it."""
    if isinstance(value, tuple):
        for index, item in enumerate(value):
            yield from figures(item, (*path, index))
    elif dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            yield from figures(getattr(value, field.name), (*path, field.name))
    elif isinstance(value, (int, float, date)):
        yield path, value


def put(value: Any, path: Path, new: Any) -> Any:
    """The value with one figure replaced."""
    if not path:
        return new
    step, rest = path[0], path[1:]
    if isinstance(step, int):
        return tuple(put(x, rest, new) if i == step else x for i, x in enumerate(value))
    return dataclasses.replace(value, **{step: put(getattr(value, step), rest, new)})


def nudged(value: Any, by: int) -> Any:
    """A little more or less: a cent, a piece, a minute, a day, some hundred-thousandths."""
    if isinstance(value, datetime):
        return value + timedelta(minutes=by)
    if isinstance(value, date):
        return value + timedelta(days=by)
    if isinstance(value, float):
        return value * (1 + by * 1e-5) if value else by * 1e-5
    return value + by


NUDGES = st.integers(-40, 40).filter(lambda n: n != 0)


@QUIET
@given(data=st.data(), by=NUDGES)
def test_no_changed_figure_goes_unnoticed(data: st.DataObject, by: int, scenario: Scenario, plan: Plan) -> None:
    places = [(p, v) for p, v in figures(plan) if p[-1] not in FREE]
    path, value = data.draw(st.sampled_from(places))
    assert not audit(scenario, put(plan, path, nudged(value, by))).clean


@QUIET
@given(data=st.data(), by=st.integers(-3, 3))
def test_changes_below_tolerance_are_let_pass(data: st.DataObject, by: int, scenario: Scenario, plan: Plan) -> None:
    places = [(p, v) for p, v in figures(plan) if isinstance(v, float)]
    path, value = data.draw(st.sampled_from(places))
    assert audit(scenario, put(plan, path, value * (1 + by * 1e-9))).clean


@QUIET
@given(data=st.data())
def test_garbage_is_a_finding_and_never_an_exception(data: st.DataObject, scenario: Scenario, plan: Plan) -> None:
    for _ in range(data.draw(st.integers(1, 4))):
        path, value = data.draw(st.sampled_from(list(figures(plan))))
        new: Any
        if isinstance(value, datetime):
            new = data.draw(st.datetimes()) if data.draw(st.booleans()) else value + timedelta(days=5000)
        elif isinstance(value, date):
            new = value + timedelta(days=data.draw(st.integers(-4000, 4000)))
        elif isinstance(value, float):
            new = data.draw(st.sampled_from([math.nan, math.inf, -math.inf, -1.0, 0.0, 1e12]))
        else:
            new = data.draw(st.sampled_from([-1, 0, 10**9]))
        plan = put(plan, path, new)
    report = audit(scenario, plan)
    assert all(f.code and f.where for f in report.findings)
