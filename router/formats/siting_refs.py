"""What a candidates file names must be there, and what its entries say together must agree.

Looked at in what stands in the file, entry by entry, so that a fault of one number hides no fault of a name.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import ValidationError

from router.domain.network import Network
from router.formats.gazetteer import PlaceNotResolved
from router.formats.model_sites import PlaceRecord
from router.formats.places import resolve_place
from router.formats.scalars import HIGHEST_GROWTH, Ident, Real, Scalar
from router.formats.validation import Places, value_at
from router.formats.wording import found, one_of
from router.kernel.faults import Fault
from router.kernel.money import round_cents

_LEAST_SWING = {"growth": -0.99, "plate_fill": 0.01, "existing_hours_per_year": 1.0}
_MOST_SWING = {
    "growth": (HIGHEST_GROWTH, f"a growth of at most {HIGHEST_GROWTH:g}"),
    **dict.fromkeys(("plate_fill", "rate_avoided", "discount_rate"), (1, "a share of at most 1")),
}


def reference_faults(data: Mapping[str, Any], network: Network, places: Places) -> list[Fault]:
    """Faults of everything in the file that can be read, whatever else is wrong with it."""
    return [
        *_somewhere(data, places),
        *_candidate_faults(data, network, places),
        *_package_faults(data, network, places),
        *_swing_faults(data, places),
    ]


def _entries(data: Mapping[str, Any], group: str) -> Iterator[tuple[int, Mapping[str, Any]]]:
    listed = data.get(group)
    for k, entry in enumerate(listed if isinstance(listed, list) else []):
        if isinstance(entry, Mapping):
            yield k, entry


def _read(scalar: Scalar, raw: object) -> Any:
    """The value, or None where it is none: that is told by the shape of the file."""
    try:
        return scalar.parse(raw, None)
    except ValueError:
        return None


def _somewhere(data: Mapping[str, Any], places: Places) -> list[Fault]:
    if any(group in data and data[group] != [] for group in ("candidates", "gazetteer")):
        return []
    return [places.fault(("candidates",), "nothing", "at least one candidate or gazetteer entry")]


def _candidate_faults(data: Mapping[str, Any], network: Network, places: Places) -> list[Fault]:
    faults = []
    taken = {s.site_id for s in network.sites}
    for k, entry in _entries(data, "candidates"):
        name = _read(Ident(), entry.get("id"))
        if name is not None and name in taken:
            faults.append(places.fault(("candidates", k, "id"), found(name), "a name no other site has"))
        taken.add(name)
        try:
            where = PlaceRecord.model_validate(entry.get("place"), context={"zone": None})
            resolve_place(where.country, where.city, where.postcode, where.latitude, where.longitude)
        except ValidationError:
            pass
        except PlaceNotResolved as unknown:
            faults.append(places.fault(("candidates", k, "place", "city"), found(where.city), str(unknown)))
    sites = list(network.site)
    for group in ("candidates", "gazetteer"):
        for k, entry in _entries(data, group):
            like = _read(Ident(), entry.get("works_like"))
            if like is not None and like not in sites:
                faults.append(places.fault((group, k, "works_like"), found(like), one_of(like, sites)))
            faults += _energy_faults((group, k, "energy_per_kwh"), entry.get("energy_per_kwh"), places)
    return faults


def _energy_faults(at: tuple[str | int, ...], raw: object, places: Places) -> list[Fault]:
    """Prices are whole cents, as in the network file: rounding a kWh would change all that energy costs."""
    price = _read(Real(least=0), raw.get("value") if isinstance(raw, Mapping) else raw)
    if price is None:
        return []
    whole = round_cents(price * 100)
    if abs(price * 100 - whole) < 1e-6:
        return []
    return [places.fault(at, f"{price:g}", f"whole cents a kWh, e.g. {whole / 100:.2f}")]


def _package_faults(data: Mapping[str, Any], network: Network, places: Places) -> list[Fault]:
    faults = []
    machines = list(network.machine)
    taken: set[str] = set()
    for k, entry in _entries(data, "packages"):
        name = _read(Ident(), entry.get("id"))
        if name is not None and name in taken:
            faults.append(places.fault(("packages", k, "id"), found(name), "a name no other package has"))
        taken.add(name)
        wanted = _read(Ident(), entry.get("machine_like"))
        like = network.machine.get(wanted)
        if like is None:
            if wanted is not None:
                faults.append(places.fault(("packages", k, "machine_like"), found(wanted), one_of(wanted, machines)))
            # Of what machine, is not known; an alloy that the network does not know at all is wrong anyway.
            known = list(network.alloy)
        else:
            known = list(like.alloys)
        alloys = entry.get("alloys")
        for n, raw in enumerate(alloys if isinstance(alloys, list) else []):
            alloy = _read(Ident(), raw)
            if alloy is not None and alloy not in known:
                faults.append(places.fault(("packages", k, "alloys", n), found(alloy), one_of(alloy, known)))
    return faults


def _swing_faults(data: Mapping[str, Any], places: Places) -> list[Fault]:
    """Values that would make no answer: each end of each swing."""
    faults = []
    swings = data.get("swings")
    for name, entry in swings.items() if isinstance(swings, Mapping) else ():
        least = _LEAST_SWING.get(name, 0.0)
        low, high = (_read(Real(), value_at(entry, (end,))) for end in ("low", "high"))
        if low is not None and low < least:
            faults.append(places.fault(("swings", name, "low"), found(low), f"a value of at least {least:g}"))
        most, expected = _MOST_SWING.get(name, (math.inf, ""))
        if high is not None and high > most:
            meant = f"; did you mean {high / 100:g}?" if 2 <= high <= 100 * most else ""
            faults.append(places.fault(("swings", name, "high"), found(high), expected + meant))
    return faults
