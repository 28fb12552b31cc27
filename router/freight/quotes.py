"""Quotes: what each carrier asks for a consignment, or why it cannot take it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from router.domain.carriers import Carrier, Zone
from router.domain.network import Network
from router.domain.places import Place
from router.freight.lanes import Lane, measure_lane
from router.freight.weight import dimensional_kg, half_kg_up, shipped_mass_kg
from router.kernel.money import round_cents

_REMEMBERED = 1 << 17
_DESKS = 4


@dataclass(frozen=True, slots=True)
class Quote:
    """What one carrier asks for one consignment."""

    carrier_id: str
    mass_kg: float
    chargeable_kg: float
    distance_km: float
    freight_cents: int
    """Carriage and, where crossed, customs."""
    co2e_kg: float
    carbon_cents: int
    transit_working_days: int
    """Customs days included."""

    @property
    def total_cents(self) -> int:
        return self.freight_cents + self.carbon_cents


class FreightDesk:
    """Everything about freight in one network, with its answers remembered."""

    __slots__ = ("_carbon", "_carriers", "lane", "network", "quotes")

    def __init__(self, network: Network) -> None:
        self.network = network
        self._carriers = network.carriers
        self._carbon = network.carbon_cents_per_kg
        self.lane = lru_cache(maxsize=_REMEMBERED)(self._lane)
        self.quotes = lru_cache(maxsize=_REMEMBERED)(self._quotes)

    def _lane(self, site_id: str, place: Place) -> Lane:
        return measure_lane(self.network, site_id, place)

    def _quotes(self, site_id: str, place: Place, part_kg: float, box_cm3: float, pieces: int) -> tuple[Quote, ...]:
        lane = self.lane(site_id, place)
        mass = shipped_mass_kg(self.network, part_kg, pieces)
        found = []
        for carrier in self._carriers:
            charged = half_kg_up(max(mass, dimensional_kg(self.network, carrier, box_cm3, pieces)))
            quote = self.quote(carrier, lane, mass, charged)
            if quote is not None:
                found.append(quote)
        return tuple(sorted(found, key=lambda q: (q.total_cents, q.transit_working_days, q.carrier_id)))

    def quote(self, carrier: Carrier, lane: Lane, mass_kg: float, chargeable_kg: float) -> Quote | None:
        """What a carrier asks for given weights on a lane; None when it cannot."""
        distance = lane.distance_km(carrier.by_air)
        zone = zone_of(carrier, distance)
        if zone is None or chargeable_kg > carrier.max_chargeable_kg:
            return None
        customs = self.network.customs if lane.crosses_customs else None
        co2e = mass_kg / 1000 * distance * carrier.kg_co2e_per_tonne_km
        return Quote(
            carrier_id=carrier.carrier_id,
            mass_kg=mass_kg,
            chargeable_kg=chargeable_kg,
            distance_km=distance,
            freight_cents=zone.base_cents
            + round_cents(zone.cents_per_kg * chargeable_kg)
            + (customs.cents if customs else 0),
            co2e_kg=co2e,
            carbon_cents=round_cents(co2e * self._carbon),
            transit_working_days=zone.transit_working_days + (customs.working_days if customs else 0),
        )

    def refusals(self, site_id: str, place: Place, part_kg: float, box_cm3: float, pieces: int) -> tuple[str, ...]:
        """One sentence for every carrier that cannot take the consignment, in the network's order."""
        lane = self.lane(site_id, place)
        mass = shipped_mass_kg(self.network, part_kg, pieces)
        said = []
        for carrier in self._carriers:
            why = []
            distance = lane.distance_km(carrier.by_air)
            charged = half_kg_up(max(mass, dimensional_kg(self.network, carrier, box_cm3, pieces)))
            if zone_of(carrier, distance) is None:
                farthest = max((z.up_to_km for z in carrier.zones), default=0.0)
                why.append(f"{distance:,.0f} km lies beyond its last zone ({farthest:,.0f} km)")
            if charged > carrier.max_chargeable_kg:
                why.append(f"{charged:,.1f} kg chargeable is over its limit of {carrier.max_chargeable_kg:,.1f} kg")
            if why:
                said.append(
                    f"{carrier.name} cannot carry {pieces} piece{'' if pieces == 1 else 's'} "
                    f"from {site_id} to {place.label()}: {' and '.join(why)}"
                )
        return tuple(said)


def zone_of(carrier: Carrier, distance_km: float) -> Zone | None:
    """First zone of the carrier's table that reaches the distance."""
    return next((zone for zone in carrier.zones if zone.up_to_km >= distance_km), None)


_desks: list[FreightDesk] = []


def freight_desk(network: Network) -> FreightDesk:
    """The desk of a network. The last few networks' desks are kept, so their answers stay remembered."""
    for desk in _desks:
        if desk.network is network:
            return desk
    desk = FreightDesk(network)
    _desks.insert(0, desk)
    del _desks[_DESKS:]
    return desk


def lane(network: Network, site_id: str, place: Place) -> Lane:
    """The lane from a site to a place, remembered."""
    return freight_desk(network).lane(site_id, place)


def quotes(
    network: Network, site_id: str, place: Place, part_kg: float, box_cm3: float, pieces: int
) -> tuple[Quote, ...]:
    """Quotes of every carrier that can, cheapest first by freight + carbon (then fewer days, then id); () if none.

    ``part_kg`` and ``box_cm3`` are of one piece: mass without supports, bounding box as modelled.
    """
    return freight_desk(network).quotes(site_id, place, part_kg, box_cm3, pieces)


def refusals(
    network: Network, site_id: str, place: Place, part_kg: float, box_cm3: float, pieces: int
) -> tuple[str, ...]:
    """Why each carrier that cannot take the consignment cannot; () when all can."""
    return freight_desk(network).refusals(site_id, place, part_kg, box_cm3, pieces)
