"""Shipments added up to legs, for the map and the table below it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from router.domain.network import Scenario
from router.domain.plan import Plan, Shipment
from router.report.legs_map import Leg, MapSite
from router.report.measures import METRIC, Measures
from router.report.wording import number


@dataclass(frozen=True, slots=True)
class LegRow:
    """One leg in the table, every cell as text."""

    site: str
    to: str
    carriers: str
    shipments: str
    mass: str
    distance: str
    tonne_km: str
    co2e: str
    freight: str


def map_sites(scenario: Scenario, site_key: Mapping[str, int]) -> tuple[MapSite, ...]:
    """All sites of the network."""
    return tuple(
        MapSite(s.name, s.place.latitude_deg, s.place.longitude_deg, site_key[s.site_id])
        for s in scenario.network.sites
    )


def legs(
    scenario: Scenario, plan: Plan, site_key: Mapping[str, int], measures: Measures = METRIC
) -> tuple[tuple[Leg, ...], tuple[LegRow, ...]]:
    """Legs for the map, and the same legs as rows, by site and falling mass. Tonne-km and CO2e stay metric."""
    sites = {s.site_id: m for s, m in zip(scenario.network.sites, map_sites(scenario, site_key), strict=True)}
    grouped: dict[tuple[str, str, float, float], list[Shipment]] = {}
    for shipment in plan.shipments:
        to = scenario.line[shipment.line_id].ship_to
        grouped.setdefault((shipment.site_id, to.label(), to.latitude_deg, to.longitude_deg), []).append(shipment)
    order = {s.site_id: n for n, s in enumerate(scenario.network.sites)}
    made = sorted(grouped.items(), key=lambda g: (order[g[0][0]], -sum(s.mass_kg for s in g[1]), g[0][1]))
    found, rows = [], []
    for (site_id, to_name, lat, lon), own in made:
        mass = sum(s.mass_kg for s in own)
        found.append(Leg(sites[site_id], to_name, lat, lon, mass, len(own)))
        carriers = dict.fromkeys(s.carrier_id for s in own)
        names = [scenario.network.carrier[c].name if c in scenario.network.carrier else c for c in carriers]
        rows.append(
            LegRow(
                sites[site_id].name,
                to_name,
                ", ".join(names),
                number(len(own)),
                measures.bare_mass(mass),
                measures.bare_distance(max(s.distance_km for s in own)),
                number(sum(s.mass_kg * s.distance_km for s in own) / 1000, 1),
                number(sum(s.co2e_kg for s in own), 1),
                number(sum(s.freight_cents for s in own) / 100),
            )
        )
    return tuple(found), tuple(rows)
