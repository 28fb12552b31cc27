"""Freight and lateness of a line by the day its run ends, at the least (BOUND.md, 4).

Runs are dated by buckets of time. A piece whose run ends in a bucket is unloaded, finished and dispatched no sooner
than one whose run ends at the bucket's first minute with nobody in its way.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from datetime import date, time

import numpy as np
import numpy.typing as npt

from router.costing import lot_minutes, route
from router.domain.orders import OrderLine
from router.domain.sites import PLATE_STEPS, Step, WorkCentre
from router.freight import arrival_date
from router.kernel.faults import PlatewrightError
from router.kernel.moments import Minute, to_datetime
from router.planning.bound_after import Lane
from router.planning.problem import DAY_MIN, Problem
from router.worktime import whole_minutes

FINE_DAYS = 21
"""Buckets of one day up to here, then of a week, then of four."""
COARSE_WEEKS = 10
_MONTHS = 12
_DAYS_A_LINE = 0.8
"""Days of one machine that a line takes, roughly: decides how far buckets reach, never whether the bound holds."""
_HORIZON = 500
"""Days for which dispatches are told apart; later ones count as the last of them."""

_Walk = tuple[str, int, tuple[Step, ...], float]
"""Site, minutes of unloading, steps, support cm3: what the way from the end of a run to ready depends on."""


def bucket_starts(problem: Problem, lines: int) -> list[Minute]:
    """First minute of each bucket for a book of so many lines; the last bucket has no end."""
    days = list(range(FINE_DAYS)) + [FINE_DAYS + 7 * w for w in range(COARSE_WEEKS)]
    # Months are only worth having where the work reaches so far.
    backlog = _DAYS_A_LINE * lines / max(1, len(problem.machines))
    months = min(_MONTHS, max(0, math.ceil((backlog - days[-1]) / 28)))
    days += [days[-1] + 28 * (m + 1) for m in range(months)]
    return [problem.now + d * DAY_MIN for d in days]


class Arrivals:
    """Days of arrival, remembered by what they depend on."""

    def __init__(self, problem: Problem, lines: int) -> None:
        """For a book of so many lines."""
        self._problem = problem
        self.starts = bucket_starts(problem, lines)
        self._ready: dict[_Walk, list[Minute | None]] = {}
        self._days: dict[tuple[object, ...], npt.NDArray[np.float64]] = {}
        self._run_starts: dict[tuple[int, Minute], Minute | None] = {}
        self._unloaded: dict[tuple[str, int], list[Minute | None]] = {}
        self._step_ends: dict[tuple[str, Step, int, Minute], Minute] = {}
        self._sent: dict[tuple[_Walk, time], npt.NDArray[np.int64]] = {}
        self._arrived: dict[tuple[str, int], npt.NDArray[np.float64]] = {}
        # A day before, for sites whose calendar is behind UTC.
        self._first_day = to_datetime(self.starts[0]).date().toordinal() - 1

    def first_run_start(self, machine: int, release: Minute) -> Minute | None:
        """When a machine can begin to run something released then; None when its calendar has no work."""
        key = (machine, max(release, self._problem.available[machine]))
        if key not in self._run_starts:
            made = self._problem.machines[machine]
            try:
                self._run_starts[key] = self._problem.staffed[made.site_id].attended(key[1], made.load_min)[1]
            except PlatewrightError:
                self._run_starts[key] = None
        return self._run_starts[key]

    def first_bucket(self, moment: Minute) -> int:
        """Bucket that holds a moment; none ends before the planning moment."""
        return max(0, bisect_right(self.starts, moment) - 1)

    def cents(
        self, line: int, site_id: str, unload_min: int, support_cm3: float, lane: Lane, floors: npt.NDArray[np.float64]
    ) -> npt.NDArray[np.float64]:
        """Least freight, carbon and lateness of the whole line if all its runs end in a bucket, for each bucket.

        ``floors``: freight and carbon by each carrier of the lane.
        """
        wanted = self._problem.lines[line]
        walk = self._walk_key(wanted, site_id, unload_min, support_cm3)
        key = (walk, wanted.ship_to.country, lane.carriers)
        days = self._days.get(key)
        if days is None:
            days = self._days[key] = np.array(
                [
                    self._arrivals(wanted, transit_days)[
                        self._sent_by_bucket(walk, self._problem.network.carriers[number].cutoff, wanted, site_id)
                    ]
                    for number, transit_days in lane.carriers
                ]
            )
        late = np.maximum(0.0, days - self._problem.due[line])
        if wanted.late_cents_per_day:
            late *= wanted.late_cents_per_day
        else:
            late[np.isfinite(late)] = 0.0
        late += floors[:, None]
        best = late.min(axis=0)
        # Later is never cheaper in truth; monotone whatever a calendar does.
        cents: npt.NDArray[np.float64] = np.minimum.accumulate(best[::-1])[::-1]
        return cents

    def _sent_by_bucket(self, walk: _Walk, cutoff: time, wanted: OrderLine, site_id: str) -> npt.NDArray[np.int64]:
        """Days from the first day to the dispatch of what ends in each bucket; _HORIZON + 1 for never."""
        key = (walk, cutoff)
        sent = self._sent.get(key)
        if sent is None:
            staffed = self._problem.staffed[site_id]
            found = []
            for ready in self._ready_by_bucket(walk, wanted):
                try:
                    if ready is None:
                        found.append(_HORIZON + 1)
                    else:
                        found.append(min(_HORIZON, staffed.collected(ready, cutoff).toordinal() - self._first_day))
                except PlatewrightError:
                    found.append(_HORIZON + 1)  # a calendar without work: no plan sends anything either
            sent = self._sent[key] = np.array(found, dtype=np.int64)
        return sent

    def _arrivals(self, wanted: OrderLine, transit_days: int) -> npt.NDArray[np.float64]:
        """Day of arrival (ordinal) of what is dispatched on each day from the first on; at last, of what never is."""
        key = (wanted.ship_to.country, transit_days)
        table = self._arrived.get(key)
        if table is None:
            days = [
                float(arrival_date(date.fromordinal(self._first_day + d), transit_days, wanted.ship_to).toordinal())
                for d in range(_HORIZON + 1)
            ]
            table = self._arrived[key] = np.array([*days, math.inf])
        return table

    def _walk_key(self, wanted: OrderLine, site_id: str, unload_min: int, support_cm3: float) -> _Walk:
        # Support volume is taken down to a power of two: less of it is never slower.
        coarse = 0.0 if support_cm3 < 0.25 else 2.0 ** math.floor(math.log2(support_cm3))
        return (site_id, unload_min, route(wanted, self._problem.network.alloy[wanted.alloy_id]), coarse)

    def _ready_by_bucket(self, walk: _Walk, wanted: OrderLine) -> list[Minute | None]:
        found = self._ready.get(walk)
        if found is None:
            site_id, unload_min, _, support_cm3 = walk
            found = []
            for start in self._unload_ends(site_id, unload_min):
                try:
                    found.append(None if start is None else self._soonest_ready(wanted, site_id, support_cm3, start))
                except PlatewrightError:
                    found.append(None)
            self._ready[walk] = found
        return found

    def _unload_ends(self, site_id: str, unload_min: int) -> list[Minute | None]:
        key = (site_id, unload_min)
        if key not in self._unloaded:
            ends: list[Minute | None] = []
            for start in self.starts:
                try:
                    ends.append(self._problem.staffed[site_id].attended(start, unload_min)[1])
                except PlatewrightError:
                    ends.append(None)
            self._unloaded[key] = ends
        return self._unloaded[key]

    def _soonest_ready(self, wanted: OrderLine, site_id: str, support_cm3: float, unloaded: Minute) -> Minute:
        """Ready moment of one piece if, wherever a step is bought outside, the quickest service took it."""
        network = self._problem.network
        t = unloaded
        for step in route(wanted, network.alloy[wanted.alloy_id]):
            centre = network.work_centre.get((site_id, step))
            minutes = 0
            if centre is not None:
                each = centre.plate_min if step in PLATE_STEPS else lot_minutes(centre, 1, support_cm3)
                minutes = whole_minutes(each)
            key = (site_id, step, minutes, t)
            if key not in self._step_ends:
                self._step_ends[key] = self._step_end(site_id, step, centre, minutes, t)
            t = self._step_ends[key]
        return t

    def _step_end(self, site_id: str, step: Step, centre: WorkCentre | None, minutes: int, t: Minute) -> Minute:
        staffed = self._problem.staffed[site_id]
        if centre is not None:
            return (staffed.attended if centre.attended else staffed.unattended)(t, minutes)[1]
        back = []
        for service in self._problem.network.outside(site_id, step):
            day = staffed.collected(t, service.pickup_time, service.pickup_weekdays)
            back.append(staffed.at_local(staffed.business.add(day, service.lead_working_days), service.return_time))
        return max(t, min(back))
