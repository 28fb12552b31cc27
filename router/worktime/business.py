"""Business days of a country: Monday to Friday, no public holiday, no closure."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta
from functools import lru_cache

import holidays

from router.kernel.faults import PlatewrightError

SEARCH_DAYS = 400
"""How far a search for a working day goes before the calendar is called empty."""

_ONE_DAY = timedelta(days=1)


class BusinessDays:
    """Business days of a country or subdivision, less closures (RULES.md, section 1).

    Holidays are those of the package ``holidays``: category public, with observed days as it gives them.
    Answers are remembered, so repeated questions cost a dictionary look-up.
    """

    __slots__ = ("_added", "_business", "_closures", "_holidays", "country", "subdivision")

    def __init__(self, country: str, subdivision: str | None = None, closures: Iterable[date] = ()) -> None:
        """Country as ISO 3166-1 alpha-2, subdivision as the holiday package names it.

        Raises PlatewrightError when the package knows no such country or subdivision.
        """
        known = _supported()
        if country not in known:
            raise PlatewrightError(
                f"public holidays of country {country!r} are not known; expected a two-letter ISO 3166-1 code"
            )
        if subdivision is not None and subdivision not in known[country]:
            shown = ", ".join(sorted(known[country])[:60]) or "none"
            raise PlatewrightError(
                f"public holidays of {country} are not known by subdivision {subdivision!r}; expected one of: {shown}"
            )
        self.country = country
        self.subdivision = subdivision
        self._closures = frozenset(closures)
        self._holidays = holidays.country_holidays(country, subdiv=subdivision, categories=("public",))
        self._business: dict[date, bool] = {}
        self._added: dict[tuple[date, int], date] = {}

    def is_open(self, day: date) -> bool:
        """Whether a day is neither a public holiday nor a closure; any weekday. Shifts take place on such days."""
        return day not in self._closures and day not in self._holidays

    def is_business(self, day: date) -> bool:
        """Whether a day is Monday to Friday and open."""
        known = self._business.get(day)
        if known is None:
            known = day.weekday() < 5 and self.is_open(day)
            self._business[day] = known
        return known

    def add(self, day: date, steps: int) -> date:
        """The date ``steps`` business days on; 0 is the date itself, whatever kind of day it is.

        Raises ValueError for a negative number and PlatewrightError when no business day comes within 400 days.
        """
        if steps <= 0:
            if steps < 0:
                raise ValueError(f"business days are counted forward, found {steps}")
            return day
        key = (day, steps)
        found = self._added.get(key)
        if found is None:
            found = day
            for _ in range(steps):
                found = self.first_on_or_after(found + _ONE_DAY)
            self._added[key] = found
        return found

    def first_on_or_after(self, day: date) -> date:
        """The first business day at or after a date. Raises PlatewrightError when none comes within 400 days."""
        found = day
        for _ in range(SEARCH_DAYS):
            if self.is_business(found):
                return found
            found += _ONE_DAY
        raise PlatewrightError(
            f"no business day of {self.label()} within {SEARCH_DAYS} days after {day.isoformat()}; check the closures"
        )

    def label(self) -> str:
        return self.country if self.subdivision is None else f"{self.country}-{self.subdivision}"


@lru_cache(maxsize=1)
def _supported() -> dict[str, frozenset[str]]:
    codes = holidays.list_supported_countries(include_aliases=True)
    return {country: frozenset(subdivisions) for country, subdivisions in codes.items()}


@lru_cache(maxsize=512)
def business_days(country: str, subdivision: str | None = None, closures: tuple[date, ...] = ()) -> BusinessDays:
    """The shared BusinessDays of a country (and subdivision, and closures)."""
    return BusinessDays(country, subdivision, closures)
