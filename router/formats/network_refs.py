"""What the records of a network file must agree on with one another: names, zones, holidays, steps.

Works on the raw data and looks only at what is there, so that a fault in one record does not hide, or
invent, faults in another.
"""

from __future__ import annotations

import zoneinfo
from collections.abc import Iterator, Mapping
from functools import cache
from typing import Any

import holidays as holiday_package

from router.domain.sites import PLATE_STEPS, Step
from router.formats.countries import country_hint, country_names
from router.formats.model_sites import LOT_FIELDS, PLATE_FIELDS
from router.formats.validation import Places
from router.formats.wording import found, one_of
from router.formats.yaml_reader import Path
from router.kernel.faults import Fault
from router.kernel.names import nearest

Raw = Mapping[str, Any]


def each(data: object, *steps: str) -> Iterator[tuple[Path, Any]]:
    """Every value under a chain of keys; ``*`` steps into each entry of a list or mapping."""
    level: list[tuple[Path, Any]] = [((), data)]
    for step in steps:
        deeper: list[tuple[Path, Any]] = []
        for path, value in level:
            if step == "*":
                if isinstance(value, list):
                    deeper += [((*path, k), v) for k, v in enumerate(value)]
                elif isinstance(value, Mapping):
                    deeper += [((*path, k), v) for k, v in value.items()]
            elif isinstance(value, Mapping) and value.get(step) is not None:
                deeper.append(((*path, step), value[step]))
        level = deeper
    yield from level


def texts(data: object, *steps: str) -> Iterator[tuple[Path, str]]:
    """Those values under a chain of keys that can be names; what cannot is told by the models."""
    for path, value in each(data, *steps):
        if isinstance(value, (str, int)) and not isinstance(value, bool):
            yield path, str(value)


def names(data: object, *steps: str) -> list[str]:
    """The names under a chain of keys."""
    return [value for _, value in texts(data, *steps)]


def reference_faults(data: Raw, places: Places) -> list[Fault]:
    """All disagreements between the records of a network."""
    return [
        *_twice(data, places),
        *_alloy_names(data, places),
        *_sites(data, places),
        *_services(data, places),
        *_countries(data, places),
    ]


def _twice(data: Raw, places: Places) -> Iterator[Fault]:
    kinds = (
        ("site", ("sites", "*", "id")),
        ("machine", ("sites", "*", "machines", "*", "id")),
        ("alloy", ("alloys", "*", "id")),
        ("parameter set", ("alloys", "*", "parameter_sets", "*", "id")),
        ("outside service", ("outside_services", "*", "id")),
        ("carrier", ("carriers", "*", "id")),
    )
    for kind, steps in kinds:
        seen: set[str] = set()
        for path, value in texts(data, *steps):
            if value in seen:
                yield places.fault(path, f"{found(value)} a second time", f"a name no other {kind} has")
            seen.add(value)


def _alloy_names(data: Raw, places: Places) -> Iterator[Fault]:
    known = names(data, "alloys", "*", "id")
    for path, alloy in each(data, "alloys", "*"):
        own = names(alloy, "parameter_sets", "*", "id")
        for inner, default in texts(alloy, "default_parameter_set"):
            if default not in own:
                yield places.fault(
                    (*path, *inner), found(default), one_of(default, own, "a parameter set of the alloy")
                )
    for path, machine in each(data, "sites", "*", "machines", "*"):
        for inner, name in texts(machine, "alloys", "*"):
            if name not in known:
                yield places.fault((*path, *inner), found(name), one_of(name, known, "an alloy"))
        listed = names(machine, "alloys", "*")
        for inner, loaded in texts(machine, "loaded_alloy"):
            if loaded not in listed:
                yield places.fault((*path, *inner), found(loaded), one_of(loaded, listed, "an alloy of the machine"))
    words = ["*", *known, *dict.fromkeys(names(data, "alloys", "*", "family"))]
    for side in ("leaving", "entering"):
        for path, word in texts(data, "changeovers", "*", side):
            if word not in words:
                yield places.fault(path, found(word), one_of(word, words, "an alloy, family or '*'"))


def _sites(data: Raw, places: Places) -> Iterator[Fault]:
    zones = time_zones()
    for path, zone in [*texts(data, "time_zone"), *texts(data, "sites", "*", "time_zone")]:
        if zone not in zones:
            guess = nearest(zone, zones)
            hint = f"; did you mean '{guess}'?" if guess else ""
            yield places.fault(path, found(zone), f"an IANA time zone, e.g. America/New_York{hint}")
    for path, site in each(data, "sites", "*"):
        yield from _holidays(path, site, places)
        for step, centre in each(site, "work_centres", "*"):
            yield from _work_centre((*path, *step), centre, places)


def _holidays(path: Path, site: object, places: Places) -> Iterator[Fault]:
    stated = list(texts(site, "holidays", "country"))
    # Without a country of its own the calendar is that of the place, if that is a country at all.
    followed = [x for x in texts(site, "place", "country") if x[1] in country_names()]
    calendars = holiday_calendars()
    for inner, country in stated or followed:
        if country not in calendars:
            expected = one_of(country, calendars, "a country whose holidays are known")
            yield places.fault((*path, *inner), found(country), expected)
            continue
        for deeper, part in texts(site, "holidays", "subdivision"):
            if part not in calendars[country]:
                expected = one_of(part, calendars[country], f"a subdivision of {country}")
                yield places.fault((*path, *deeper), found(part), expected)


@cache
def time_zones() -> frozenset[str]:
    """Names of the IANA time zones known here."""
    return frozenset(zoneinfo.available_timezones())


@cache
def holiday_calendars() -> dict[str, list[str]]:
    """Subdivisions by country, as far as public holidays are known."""
    return holiday_package.list_supported_countries(include_aliases=True)


def _work_centre(path: Path, centre: object, places: Places) -> Iterator[Fault]:
    if not isinstance(centre, Mapping) or path[-1] not in [s.value for s in Step]:
        return
    of_plate = path[-1] in [s.value for s in PLATE_STEPS]
    right, wrong = (PLATE_FIELDS, LOT_FIELDS) if of_plate else (LOT_FIELDS, PLATE_FIELDS)
    whose = "the whole plate" if of_plate else "lots of pieces"
    for name in wrong:
        if centre.get(name) is not None:
            yield places.fault(
                (*path, name), found(centre[name]), f"{' or '.join(right)}: {path[-1]} is done to {whose}"
            )
    if all(centre.get(name) is None for name in right):
        yield places.fault((*path, right[0]), "nothing", f"{' or '.join(right)}: how long {path[-1]} takes")


def _services(data: Raw, places: Places) -> Iterator[Fault]:
    known = names(data, "sites", "*", "id")
    for path, name in texts(data, "outside_services", "*", "sites", "*"):
        if name not in known:
            yield places.fault(path, found(name), one_of(name, known, "a site"))


def _countries(data: Raw, places: Places) -> Iterator[Fault]:
    area_of: dict[str, str] = {}
    for path, country in texts(data, "customs", "areas", "*", "*"):
        area = str(path[2])
        if area_of.setdefault(country, area) != area:
            yield places.fault(path, f"{found(country)}, also in {area_of[country]}", "every country in one area only")
    for path, _ in each(data, "customs", "areas", "*"):
        area = str(path[2])
        if area in country_names() and area_of.get(area) != area:
            yield places.fault(path, f"the area {found(area)} without that country", f"another name, or {area} in it")
    circuity = data.get("circuity")
    if isinstance(circuity, Mapping):
        if "*" not in circuity:
            expected = "a factor for '*': the other countries and legs between countries"
            yield places.fault(("circuity", "*"), "nothing", expected)
        for country in circuity:
            if country != "*" and country not in country_names():
                yield places.fault(("circuity", country), found(country), country_hint(country))
    currency = data.get("currency")
    if isinstance(currency, str) and not (len(currency) == 3 and currency.isalpha() and currency.isupper()):
        yield places.fault(("currency",), found(currency), "a three-letter currency code in capitals, e.g. USD")
