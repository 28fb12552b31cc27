"""Sites and legs as GeoJSON features (RFC 7946): longitude first."""

from __future__ import annotations

from collections import Counter
from typing import Any

from router.domain.places import Place
from router.service.desk import Desk
from router.service.network import network_in_use
from router.service.plans import PlanInFull
from router.service.records import Actor
from router.service.visible import hidden_lines


def network_features(desk: Desk, actor: Actor, plan: PlanInFull | None) -> list[dict[str, Any]]:
    """Sites of the network, and the legs of a plan from site to customer's place with shipments and kilograms."""
    network = network_in_use(desk, actor)
    features: list[dict[str, Any]] = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": _point(site.place)},
            "properties": {"site_id": site.site_id, "name": site.name},
        }
        for site in network.sites
    ]
    if plan is None:
        return features
    hidden = hidden_lines(desk, actor)
    shipments: Counter[tuple[str, Place]] = Counter()
    mass_kg: Counter[tuple[str, Place]] = Counter()
    for shipment in plan.result.plan.shipments:
        if shipment.line_id not in hidden:
            leg = (shipment.site_id, plan.scenario.line[shipment.line_id].ship_to)
            shipments[leg] += 1
            mass_kg[leg] += shipment.mass_kg  # type: ignore[assignment]
    for leg, number in sorted(shipments.items(), key=lambda item: (item[0][0], item[0][1].label())):
        site_id, place = leg
        ends = [_point(plan.scenario.network.site[site_id].place), _point(place)]
        features.append(
            {
                "type": "Feature",
                "geometry": {"type": "LineString", "coordinates": ends},
                "properties": {
                    "site_id": site_id,
                    "place": place.label(),
                    "shipments": number,
                    "mass_kg": round(float(mass_kg[leg]), 3),
                },
            }
        )
    return features


def _point(place: Place) -> list[float]:
    return [round(place.longitude_deg, 5), round(place.latitude_deg, 5)]
