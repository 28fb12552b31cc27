"""Sites and alloys that people name must be there: a slip is told with the nearest name, never taken as it is."""

from __future__ import annotations

from collections.abc import Iterable

from router.formats.network_file import NetworkReading
from router.formats.wording import found, one_of
from router.kernel.faults import Fault
from router.service.desk import Desk
from router.service.network import newest_network


def newest_reading(desk: Desk) -> NetworkReading | None:
    """What the newest network says; None while there is none."""
    with desk.store.look() as work:
        newest = newest_network(work, desk)
    return newest.reading if newest else None


def site_faults(desk: Desk, where: str, field: str, given: Iterable[str]) -> list[Fault]:
    """Names that are no sites of the newest network."""
    reading = newest_reading(desk)
    return name_faults(where, field, given, reading.site_names if reading else [], "site")


def alloy_faults(desk: Desk, where: str, field: str, given: Iterable[str]) -> list[Fault]:
    """Names that are no alloys of the newest network."""
    reading = newest_reading(desk)
    return name_faults(where, field, given, reading.alloy_names if reading else [], "alloy")


def name_faults(where: str, field: str, given: Iterable[str], known: Iterable[str], what: str) -> list[Fault]:
    """Names given that are not among the known ones; empty text asks for nothing."""
    names = list(known)
    return [Fault("", where, field, found(n), one_of(n, names, what)) for n in sorted(given) if n and n not in names]
