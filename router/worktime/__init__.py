"""Worktime: business days of countries and staffed time of sites (RULES.md, section 1).

- ``business_days(country, subdivision=None, closures=()) -> BusinessDays`` (shared, remembered):
  ``is_business(day)``, ``is_open(day)``, ``add(day, n)``, ``first_on_or_after(day)``.
- ``StaffedTime(site)``: ``next_staffed(t)``, ``attended(t, minutes) -> (start, end)``, ``unattended(t, minutes)``,
  ``local(t) -> (date, minute of day)``, ``at_local(day, time)``, ``intervals(start, end)``,
  ``staffed_minutes(start, end)``, ``collected(t, cutoff, weekdays=None) -> date``, ``business``, ``site``.
- ``whole_minutes(minutes) -> int``.

Moments are ``Minute`` (whole minutes since 1970 UTC). Calendars without work raise PlatewrightError.
"""

from __future__ import annotations

from router.worktime.business import BusinessDays, business_days
from router.worktime.minutes import whole_minutes
from router.worktime.staffed import StaffedTime

__all__ = ["BusinessDays", "StaffedTime", "business_days", "whole_minutes"]
