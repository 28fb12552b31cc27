"""Reads ``network.yaml`` into a Network, or says everything that is wrong with it. See FORMAT.md."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from router.domain.network import Network
from router.domain.places import Place
from router.formats.countries import country_names
from router.formats.gazetteer import PlaceNotResolved
from router.formats.model_network import NetworkRecord
from router.formats.model_sites import PlaceRecord
from router.formats.network_build import build_network
from router.formats.network_refs import each, names, reference_faults, time_zones
from router.formats.places import resolve_place
from router.formats.validation import Places, structure_faults
from router.formats.wording import found
from router.formats.yaml_reader import read_yaml
from router.kernel.faults import Fault, FaultyInput, told_once

NETWORK_FILE = "network.yaml"


@dataclass(frozen=True)
class NetworkReading:
    """What could be read. ``network`` is None when there are faults; ``raw`` still serves to check the order book."""

    network: Network | None
    late_cents_per_day: int
    raw: Mapping[str, Any]
    zone: ZoneInfo | None
    faults: tuple[Fault, ...]

    @cached_property
    def alloy_names(self) -> list[str]:
        """Alloys as the file names them."""
        return names(self.raw, "alloys", "*", "id")

    @cached_property
    def site_names(self) -> list[str]:
        """Sites as the file names them."""
        return names(self.raw, "sites", "*", "id")

    @cached_property
    def _parameter_sets(self) -> Mapping[str, list[str]]:
        found: dict[str, list[str]] = {}
        for _, alloy in each(self.raw, "alloys", "*"):
            for alloy_id in names(alloy, "id"):
                found.setdefault(alloy_id, []).extend(names(alloy, "parameter_sets", "*", "id"))
        return found

    def parameter_sets_of(self, alloy_id: str) -> list[str]:
        """Parameter sets of an alloy as the file names them."""
        return self._parameter_sets.get(alloy_id, [])


def read_network(raw: bytes, file: str = NETWORK_FILE) -> Network:
    """The network of a YAML file. Raises FaultyInput with every fault."""
    reading = inspect_network(raw, file)
    if reading.network is None:
        raise FaultyInput(reading.faults)
    return reading.network


def inspect_network(raw: bytes, file: str = NETWORK_FILE) -> NetworkReading:
    """Read as far as possible and collect all faults."""
    document = read_yaml(raw, file)
    faults = list(document.faults)
    data = document.data
    if data is not None and not isinstance(data, dict):
        faults.append(Fault(file, "", "", found(data), "a YAML mapping of fields"))
    if not isinstance(data, dict):
        return NetworkReading(None, 0, {}, None, tuple(faults))
    places = Places(file, document)
    zone_name = data.get("time_zone")
    zone = ZoneInfo(zone_name) if isinstance(zone_name, str) and zone_name in time_zones() else None
    record: NetworkRecord | None = None
    # With a faulty time_zone every local time would be a fault of its own; UTC stands in for the check.
    stand_in = zone or (ZoneInfo("UTC") if zone_name is not None else None)
    try:
        record = NetworkRecord.model_validate(data, context={"zone": stand_in})
    except ValidationError as error:
        faults += structure_faults(NetworkRecord, data, error, places)
    faults += reference_faults(data, places)
    located, place_faults = _site_places(data, places)
    faults += place_faults
    late = record.late_per_day if record else 0
    network = build_network(record, located) if record and not faults else None
    return NetworkReading(network, late, data, zone, told_once(faults))


def _site_places(data: Mapping[str, Any], places: Places) -> tuple[dict[int, Place], list[Fault]]:
    """The place of every site by its position in the file."""
    located, faults = {}, []
    for path, raw in each(data, "sites", "*", "place"):
        try:
            place = PlaceRecord.model_validate(raw)
        except ValidationError:
            continue  # said already
        if place.country not in country_names():
            continue
        position = path[1]
        assert isinstance(position, int)
        try:
            located[position] = resolve_place(
                place.country, place.city, place.postcode, place.latitude, place.longitude
            )
        except PlaceNotResolved as unknown:
            by_code = place.postcode is not None and (place.country == "US" or place.city is None)
            field, value = ("postcode", place.postcode) if by_code else ("city", place.city)
            faults.append(places.fault((*path, field), found(value), str(unknown)))
    return located, faults
