"""Invented customers: who they are by what they buy, and where they sit."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from random import Random

from router.domain.network import Network
from router.domain.places import Place
from scenarios.cities import City, cities, rough_km

REACH_KM = 260.0
"""How far the pull of a site on its customers reaches (assumption)."""
FAR_SHARE = 0.35
"""Weight of a city far from every site against one beside a site (assumption)."""


@dataclass(frozen=True, slots=True)
class Customer:
    """Named by number, trade and city, so that no name can be mistaken for a real company's."""

    name: str
    trade: str
    place: Place


def make_customers(rng: Random, network: Network, trades: Mapping[str, float], count: int) -> tuple[Customer, ...]:
    """So many customers, cities drawn by weight and nearness to a site; every trade has at least one.

    A city is drawn a second time only after all have been drawn once or none of the first round is left.
    """
    pool = list(cities())
    pull = [city.weight * _nearness(network, city) for city in pool]
    names = sorted(trades)
    drawn: list[City] = []
    while len(drawn) < count:
        # Weighted draw without replacement: the largest u^(1/w) first (Efraimidis and Spirakis 2006).
        keys = [rng.random() ** (1.0 / w) for w in pull]
        drawn += [pool[k] for k in sorted(range(len(pool)), key=lambda k: -keys[k])]
    result = []
    for k, city in enumerate(drawn[:count]):
        trade = names[k] if k < len(names) else rng.choices(names, [trades[t] for t in names])[0]
        result.append(Customer(f"C{k + 1:03d} {trade}, {city.place.name}", trade, city.place))
    return tuple(result)


def _nearness(network: Network, city: City) -> float:
    nearest = min(rough_km(site.place, city.place) for site in network.sites)
    return FAR_SHARE + math.exp(-nearest / REACH_KM)
