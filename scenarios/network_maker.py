"""Makes larger networks from the ingredients of the demonstration network, the same for the same seed.

``python -m scenarios.network_maker --sites 12 --machines 60 --seed 3 --out FILE``

Every site is set up like one of the demonstration sites (its machines, work centres, shifts and registrations),
but in another city with that city's time zone and holidays. Alloys, carriers and rules are the same.
"""

from __future__ import annotations

import argparse
import sys
import unicodedata
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path
from random import Random
from typing import Any

import yaml

from router.formats.yaml_reader import read_yaml
from router.kernel.faults import FaultyInput
from router.kernel.seeds import child_seed
from scenarios.cities import City, cities, rough_km

INGREDIENTS = Path(__file__).parent / "demo" / "network.yaml"
APART_KM = 120.0
"""Sites of one network are no nearer to each other while there are cities left that allow it (assumption)."""
IDLE_SHARE, BUSY_WITHIN_H = 0.4, 48
SERVICED_SHARE, SERVICE_HOURS = 0.2, (8, 12, 24)
LIKE_NOTHING_ELSE = "øØłŁđĐßæÆ"
SPELT = ("o", "O", "l", "L", "d", "D", "ss", "ae", "Ae")

Raw = dict[str, Any]


def make_network(sites: int, machines: int, seed: int) -> Raw:
    """The content of a network file.

    Raises ValueError for more sites than there are cities, or fewer machines than sites.
    """
    if not 1 <= sites <= len(cities()) or machines < sites:
        raise ValueError(
            f"needs 1 to {len(cities())} sites and at least a machine each, found {sites} sites and {machines} machines"
        )
    base = _ingredients()
    rng = Random(child_seed(seed, "network", sites, machines))
    patterns: list[Raw] = base["sites"]
    used = [patterns[k % len(patterns)] for k in range(sites)]
    counts = _machine_counts([len(p["machines"]) for p in used], machines)
    now = datetime.fromisoformat(base["now"])
    made = [
        _site(p, c, n, k, now, rng) for k, (p, c, n) in enumerate(zip(used, _places(sites, rng), counts, strict=True))
    ]
    like = {s["id"]: p["id"] for s, p in zip(made, used, strict=True)}
    return {
        **base,
        "name": f"Invented network of {sites} sites and {machines} machines",
        "sites": made,
        "outside_services": [s for s in (_service(o, like) for o in base["outside_services"]) if s.get("sites") != []],
    }


def network_text(content: Mapping[str, Any], how: str) -> str:
    """The file: one comment line that says how it was made, then plain YAML."""
    body = yaml.dump(_plain(content), Dumper=_NoAliases, sort_keys=False, allow_unicode=True, width=120)
    return f"# Invented. Made by: {how}\n{body}"


class _NoAliases(yaml.SafeDumper):
    """Writes every value out where it stands."""

    def ignore_aliases(self, data: Any) -> bool:
        return True


def _ingredients() -> Raw:
    document = read_yaml(INGREDIENTS.read_bytes(), INGREDIENTS.name)
    if document.faults or not isinstance(document.data, dict):
        raise FaultyInput(document.faults)
    return document.data


def _plain(value: Any) -> Any:
    """Decimals as the shortest number that says the same."""
    if isinstance(value, Decimal):
        return int(value) if value == value.to_integral_value() else float(value)
    if isinstance(value, Mapping):
        return {k: _plain(v) for k, v in value.items()}
    return [_plain(v) for v in value] if isinstance(value, list) else value


def _places(count: int, rng: Random) -> list[City]:
    """Cities drawn by weight, kept apart from one another as long as that is possible."""
    pool = cities()
    keys = [rng.random() ** (1.0 / c.weight) for c in pool]
    order = [pool[k] for k in sorted(range(len(pool)), key=lambda k: -keys[k])]
    chosen: list[City] = []
    for city in order:
        if len(chosen) < count and all(rough_km(city.place, c.place) >= APART_KM for c in chosen):
            chosen.append(city)
    rest = [c for c in order if c not in chosen]
    return chosen + rest[: count - len(chosen)]


def _machine_counts(like: Sequence[int], machines: int) -> list[int]:
    """One machine a site, the rest in proportion to the patterns (largest remainder)."""
    left = machines - len(like)
    exact = [left * n / sum(like) for n in like]
    counts = [1 + int(x) for x in exact]
    by_remainder = sorted(range(len(like)), key=lambda k: (int(exact[k]) - exact[k], k))
    for k in by_remainder[: machines - sum(counts)]:
        counts[k] += 1
    return counts


def _site(pattern: Raw, city: City, machines: int, number: int, now: datetime, rng: Random) -> Raw:
    place = city.place
    holidays = {"country": place.country} | ({"subdivision": city.subdivision} if city.subdivision else {})
    return {
        **pattern,
        "id": _slug(place.name),
        "name": place.name,
        "place": {"country": place.country, "city": place.name},
        "time_zone": city.time_zone,
        "holidays": holidays,
        "closures": [],
        "machines": [
            _machine(pattern["machines"], k, f"M{number + 1:02d}-{k + 1:02d}", now, rng) for k in range(machines)
        ],
    }


def _machine(patterns: Sequence[Raw], k: int, name: str, now: datetime, rng: Random) -> Raw:
    free = now
    if rng.random() >= IDLE_SHARE:
        free += timedelta(minutes=5 * rng.randrange(1, BUSY_WITHIN_H * 12))
    stops = []
    if rng.random() < SERVICED_SHARE:
        start = (now + timedelta(days=rng.randrange(5, 26))).replace(hour=6, minute=0)
        end = start + timedelta(hours=rng.choice(SERVICE_HOURS))
        stops.append({"start": _moment(start), "end": _moment(end), "why": "planned service"})
    return {**patterns[k % len(patterns)], "id": name, "available_from": _moment(free), "maintenance": stops}


def _service(pattern: Raw, like: Mapping[str, str]) -> Raw:
    """The same service for the sites set up like those it serves; one without a list serves all."""
    if "sites" not in pattern:
        return pattern
    return {**pattern, "sites": [site for site, model in like.items() if model in pattern["sites"]]}


def _moment(moment: datetime) -> str:
    return moment.isoformat(timespec="minutes")


def _slug(name: str) -> str:
    """A site id: plain small letters and hyphens."""
    for letter, plain in zip(LIKE_NOTHING_ELSE, SPELT, strict=True):
        name = name.replace(letter, plain)
    bare = "".join(c for c in unicodedata.normalize("NFKD", name) if not unicodedata.combining(c))
    return "-".join("".join(c if c.isalnum() else " " for c in bare.lower()).split())


def main(arguments: list[str] | None = None) -> int:
    """Command line of the module."""
    parser = argparse.ArgumentParser(
        prog="python -m scenarios.network_maker", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--sites", type=int, required=True, help="sites, each in a city of its own")
    parser.add_argument("--machines", type=int, required=True, help="machines in all, at least one a site")
    parser.add_argument("--seed", type=int, required=True, help="equal seeds give equal networks")
    parser.add_argument("--out", type=Path, required=True, help="file to write")
    options = parser.parse_args(arguments)
    how = (
        f"python -m scenarios.network_maker --sites {options.sites} --machines {options.machines} --seed {options.seed}"
    )
    content = make_network(options.sites, options.machines, options.seed)
    options.out.write_text(network_text(content, how), encoding="utf-8", newline="")
    print(f"{options.sites} sites and {options.machines} machines in {options.out}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
