"""What each kind of change does to a network. The network given is never altered."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import datetime
from functools import singledispatch
from zoneinfo import available_timezones

from router.domain.carriers import Carrier, Zone
from router.domain.machines import Machine
from router.domain.network import Network
from router.domain.orders import OrderLine
from router.domain.places import Place
from router.domain.sites import Credential, Pause, Shift, Site
from router.formats.gazetteer import PlaceNotResolved
from router.formats.places import resolve_place
from router.formats.wording import found, one_of
from router.kernel.faults import PlatewrightError
from router.whatif.changes.records import (
    AddMachine,
    AddSite,
    CarbonPrice,
    Change,
    ChangeCarrier,
    ChangeRate,
    ChangeShift,
    CloseSite,
    Demand,
    MoveSite,
    Placed,
    QualifyAlloy,
    RetireMachine,
    called,
)
from router.whatif.changes.whole_cents import distorted, expected_text, found_text, times

_PARCEL_KG = 10.0
"""By whose price a carrier's prices are judged (common practice, no source)."""


class Misfit(PlatewrightError):
    """A change that the network it is applied to does not allow."""

    def __init__(self, field: str, found_text: str, expected: str) -> None:
        self.field, self.found, self.expected = field, found_text, expected
        super().__init__(f"{field}: found {found_text}; expected {expected}")


@singledispatch
def apply(change: Change, network: Network) -> Network:
    """The network with the change made. Raises Misfit where the network does not allow it."""
    raise TypeError(f"no effect is known for {type(change).__name__}")


def known(field: str, name: str, there: Iterable[str], what: str) -> str:
    """The name, if it is one of those there are. Raises Misfit."""
    names = list(there)
    if name not in names:
        raise Misfit(field, found(name), one_of(name, names, what))
    return name


def _new(field: str, name: str, taken: Iterable[str]) -> None:
    if name in set(taken):
        raise Misfit(field, found(name), "a name that nothing in the network has yet")


def place_of(change: Placed) -> Place:
    """Where a site is to stand. Raises Misfit for a place that is not found."""
    if (change.latitude is None) != (change.longitude is None):
        raise Misfit("latitude", "one coordinate", "latitude and longitude together, or neither")
    try:
        return resolve_place(change.country, change.city, None, change.latitude, change.longitude)
    except PlaceNotResolved as unknown:
        raise Misfit("city", found(change.city), str(unknown)) from unknown


def _zone(name: str | None, otherwise: str) -> str:
    if name is None:
        return otherwise
    if name not in available_timezones():
        raise Misfit("time_zone", found(name), "an IANA time zone, e.g. Europe/Paris")
    return name


def _copy_of(machine: Machine, machine_id: str, site_id: str, now: datetime) -> Machine:
    """A new machine is free at once, has nothing loaded and no stops planned."""
    return replace(
        machine, machine_id=machine_id, site_id=site_id, loaded_alloy_id=None, available_from=now, maintenance=()
    )


@apply.register
def _(change: AddSite, network: Network) -> Network:
    _new("id", change.id, network.site)
    like = network.site[known("like", change.like, network.site, "site")]
    place = place_of(change)
    made = Site(
        site_id=change.id,
        name=change.name or place.name,
        place=place,
        time_zone=_zone(change.time_zone, like.time_zone),
        holiday_country=place.country,
        holiday_subdivision=like.holiday_subdivision if place.country == like.holiday_country else None,
        closures=(),
        shifts=like.shifts,
        labour_cents_per_h=like.labour_cents_per_h if change.labour_per_h is None else change.labour_per_h,
        energy_cents_per_kwh=like.energy_cents_per_kwh if change.energy_per_kwh is None else change.energy_per_kwh,
        grid_kg_co2e_per_kwh=(
            like.grid_kg_co2e_per_kwh if change.grid_kg_co2e_per_kwh is None else change.grid_kg_co2e_per_kwh
        ),
        credentials=(
            *(like.credentials if change.same_credentials else ()),
            *(Credential(code) for code in change.credentials),
        ),
    )
    machines = list(network.machines)
    for n, wanted in enumerate(change.machines):
        _new(f"machines[{n}] id", wanted.id, (m.machine_id for m in machines))
        copied = network.machine[known(f"machines[{n}] like", wanted.like, network.machine, "machine")]
        for alloy in wanted.alloys:
            known(f"machines[{n}] alloys", alloy, network.alloy, "alloy")
        bought = _copy_of(copied, wanted.id, change.id, network.now)
        rate = bought.rate_cents_per_h if wanted.rate_per_h is None else wanted.rate_per_h
        machines.append(replace(bought, alloys=tuple(wanted.alloys) or bought.alloys, rate_cents_per_h=rate))
    return replace(
        network,
        sites=(*network.sites, made),
        machines=tuple(machines),
        work_centres=(
            *network.work_centres,
            *(replace(w, site_id=change.id) for w in network.work_centres if w.site_id == like.site_id),
        ),
        outside_services=tuple(
            replace(o, site_ids=(*o.site_ids, change.id)) if like.site_id in o.site_ids else o
            for o in network.outside_services
        ),
    )


@apply.register
def _(change: CloseSite, network: Network) -> Network:
    site = known("site", change.site, network.site, "site")
    if len(network.sites) == 1:
        raise Misfit("site", found(site), "another site that stays: a network has one at least")
    services = []
    for service in network.outside_services:
        left = tuple(s for s in service.site_ids if s != site)
        # No site named means all of them: a service for this site alone goes with it.
        if left or not service.site_ids:
            services.append(replace(service, site_ids=left))
    return replace(
        network,
        sites=tuple(s for s in network.sites if s.site_id != site),
        machines=_without(network, lambda m: m.site_id == site),
        work_centres=tuple(w for w in network.work_centres if w.site_id != site),
        outside_services=tuple(services),
    )


def _without(network: Network, gone: Callable[[Machine], bool]) -> tuple[Machine, ...]:
    left = tuple(m for m in network.machines if not gone(m))
    if not left:
        raise Misfit("", "no machine left", "one machine at least that stays")
    return left


@apply.register
def _(change: MoveSite, network: Network) -> Network:
    site = network.site[known("site", change.site, network.site, "site")]
    place = place_of(change)
    same_country = place.country == site.holiday_country
    moved = replace(
        site,
        place=place,
        time_zone=_zone(change.time_zone, site.time_zone),
        holiday_country=place.country,
        holiday_subdivision=site.holiday_subdivision if same_country else None,
    )
    return _with_site(network, moved)


def _with_site(network: Network, site: Site) -> Network:
    return replace(network, sites=tuple(site if s.site_id == site.site_id else s for s in network.sites))


@apply.register
def _(change: AddMachine, network: Network) -> Network:
    _new("id", change.id, network.machine)
    site = known("site", change.site, network.site, "site")
    like = network.machine[known("like", change.like, network.machine, "machine")]
    return replace(network, machines=(*network.machines, _copy_of(like, change.id, site, network.now)))


@apply.register
def _(change: RetireMachine, network: Network) -> Network:
    machine = known("machine", change.machine, network.machine, "machine")
    return replace(network, machines=_without(network, lambda m: m.machine_id == machine))


@apply.register
def _(change: QualifyAlloy, network: Network) -> Network:
    machine = network.machine[known("machine", change.machine, network.machine, "machine")]
    alloy = known("alloy", change.alloy, network.alloy, "alloy")
    if alloy in machine.alloys:
        raise Misfit("alloy", found(alloy), f"an alloy that {machine.machine_id} is not qualified for yet")
    qualified = replace(machine, alloys=(*machine.alloys, alloy))
    return replace(
        network, machines=tuple(qualified if m.machine_id == machine.machine_id else m for m in network.machines)
    )


@apply.register
def _(change: ChangeShift, network: Network) -> Network:
    site = network.site[known("site", change.site, network.site, "site")]
    shifts = tuple(Shift(s.days, s.start, s.end, tuple(Pause(p.start, p.end) for p in s.pauses)) for s in change.shifts)
    return _with_site(network, replace(site, shifts=shifts))


@apply.register
def _(change: ChangeRate, network: Network) -> Network:
    if change.site is not None:
        known("site", change.site, network.site, "site")
    if change.of != "machine":
        if change.machine is not None:
            raise Misfit("machine", found(change.machine), f"no machine: {change.of} is paid by site")
        sites = (_at_rate(s, change) if change.site in (None, s.site_id) else s for s in network.sites)
        return replace(network, sites=tuple(sites))
    if change.machine is not None:
        known("machine", change.machine, network.machine, "machine")
        if change.site is not None:
            raise Misfit("site", found(change.site), "a site or a machine, not both")
    return replace(
        network,
        machines=tuple(
            replace(m, rate_cents_per_h=_times(m.rate_cents_per_h, change.factor, f"an hour of {m.machine_id}"))
            if change.machine in (None, m.machine_id) and change.site in (None, m.site_id)
            else m
            for m in network.machines
        ),
    )


def _at_rate(site: Site, change: ChangeRate) -> Site:
    what = f"{change.of} at {called(site.site_id, {site.site_id: site.name})}"
    if change.of == "labour":
        return replace(site, labour_cents_per_h=_times(site.labour_cents_per_h, change.factor, what))
    return replace(site, energy_cents_per_kwh=_times(site.energy_cents_per_kwh, change.factor, what))


def _times(cents: int, factor: float, what: str) -> int:
    """A price times a factor. Raises Misfit when whole cents cannot hold it."""
    now = times(cents, factor)
    if distorted(cents, factor, now):
        raise Misfit("factor", found_text(what, cents, factor, now), expected_text(cents))
    return now


def _dearer(carrier_id: str, zone: Zone, change: ChangeCarrier) -> Zone:
    """A zone at other prices. Raises Misfit when whole cents cannot hold them for a parcel of ordinary weight."""
    factor = change.price_factor
    base, per_kg = times(zone.base_cents, factor), times(zone.cents_per_kg, factor)
    was, now = (b + _PARCEL_KG * k for b, k in ((zone.base_cents, zone.cents_per_kg), (base, per_kg)))
    if distorted(was, factor, now):
        what = f"a parcel of {_PARCEL_KG:g} kg with {carrier_id}"
        raise Misfit("price_factor", found_text(what, was, factor, now), expected_text(was, 0.5 + 0.5 * _PARCEL_KG))
    days = max(0, zone.transit_working_days + change.transit_days_added)
    return replace(zone, base_cents=base, cents_per_kg=per_kg, transit_working_days=days)


@apply.register
def _(change: ChangeCarrier, network: Network) -> Network:
    if change.carrier is not None:
        known("carrier", change.carrier, network.carrier, "carrier")

    def changed(carrier: Carrier) -> Carrier:
        return replace(carrier, zones=tuple(_dearer(carrier.carrier_id, z, change) for z in carrier.zones))

    return replace(
        network,
        carriers=tuple(changed(c) if change.carrier in (None, c.carrier_id) else c for c in network.carriers),
    )


@apply.register
def _(change: CarbonPrice, network: Network) -> Network:
    return replace(network, carbon_cents_per_kg=change.per_tonne / 1000)


@apply.register
def _(change: Demand, network: Network) -> Network:
    """Demand leaves the network as it is; see ``demand_factor``. What it names must be there."""
    for n, alloy in enumerate(change.alloys):
        known(f"alloys[{n}]", alloy, network.alloy, "alloy")
    if change.season and len(change.season) != 12:
        raise Misfit("season", f"{len(change.season)} factors", "twelve factors, January to December")
    if change.most_pieces is not None and change.most_pieces < change.least_pieces:
        raise Misfit("most_pieces", found(change.most_pieces), f"at least least_pieces, {change.least_pieces}")
    return network


def demand_factor(change: Demand, line: OrderLine, years: float, month: int) -> float:
    """The change's factor for such a line, ``years`` after the start and in a calendar month (1 to 12)."""
    if change.countries and line.ship_to.country not in change.countries:
        return 1.0
    if change.alloys and line.alloy_id not in change.alloys:
        return 1.0
    if line.quantity < change.least_pieces:
        return 1.0
    if change.most_pieces is not None and line.quantity > change.most_pieces:
        return 1.0
    season = change.season[month - 1] if change.season else 1.0
    return float(change.factor * (1.0 + change.growth_per_year) ** years * season)
