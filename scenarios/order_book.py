"""Makes open order books of any size for a network, the same for the same seed.

``python -m scenarios.order_book --lines 330 --seed 7 --network scenarios/demo/network.yaml --specials --out FILE``
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from datetime import datetime, timedelta, tzinfo
from functools import cache
from pathlib import Path
from random import Random

from router.domain.alloys import ParameterSet
from router.domain.machines import Machine
from router.domain.network import Network
from router.domain.orders import OrderLine
from router.formats.network_file import inspect_network
from router.kernel.faults import FaultyInput
from router.kernel.seeds import child_seed
from scenarios.book_file import book_text
from scenarios.catalogue import CATALOGUE, CatalogueEntry
from scenarios.customers import Customer, make_customers
from scenarios.demands import quotas, rush, share_out
from scenarios.demo_lines import demo_lines
from scenarios.draft import Draft, finish, received
from scenarios.part_sizes import part_sizes
from scenarios.reach import Reach, Wish, mean_hours

LINES_PER_CUSTOMER = 3.6
LINES_PER_ORDER = (1, 2, 3), (0.62, 0.26, 0.12)
ALLOY_LIKING = (1.0, 0.45, 0.25)
"""How likely the first, second and third alloy of a catalogue entry are."""
MOST_H = 58.0
"""Machine hours beyond which a line is not drawn; larger lots are other people's business."""
SMALLNESS = 1.3
"""Above 1 small quantities are likelier than even on a logarithmic scale."""
CORRECTION = 2.0
"""How sharply an alloy that has more than its share of the load is drawn less often."""
REGISTERED_DAYS = 30
"""A registration that runs out sooner is not counted on when a line is made buildable; later by what periods follow."""
Choice = tuple[list[float], list[CatalogueEntry]]
"""Weights and entries to draw from."""
FINISHING_CENTS, HANDLING_CENTS = 900, 18_000
"""Rough value of the work after the build, a piece and a line; only the size of penalties hangs on it."""


def make_book(
    network: Network,
    lines: int,
    seed: int,
    zone: tzinfo,
    days: int = 28,
    specials: Sequence[OrderLine] = (),
    periods: int = 1,
) -> tuple[OrderLine, ...]:
    """So many lines (the special ones among them), in order of receipt; the specials come last.

    Every line but the specials can be built at some site of the network. ``zone``: where working hours are kept.
    ``periods``: how many stretches of ``days`` the work is for. Above 1 the lines are dealt out over them evenly: those
    of a later stretch are call-offs, ordered now, whose release and due date lie so much later. A book with as many
    times the lines and the periods loads the machines as much a week.
    Raises ValueError for fewer lines than specials, or a network in which no part of the catalogue can be built.
    """
    count = lines - len(specials)
    if count < 0 or days < 1 or periods < 1:
        raise ValueError(
            f"needs at least {len(specials)} lines, 1 day and 1 period, found {lines} lines, {days} days and"
            f" {periods} periods"
        )
    now = network.now.astimezone(zone)
    reach = Reach(network, part_sizes(), now.date() + timedelta(days=REGISTERED_DAYS + days * (periods - 1)))
    drafts = _Drawing(network, reach, count, Random(child_seed(seed, "order book", "lines"))).draw(now, days)
    rng = Random(child_seed(seed, "order book", "demands"))
    drafts = share_out(drafts, (rush(now), *quotas(network, reach)), reach, rng)
    later = [days * (n % periods) for n in range(count)]
    Random(child_seed(seed, "order book", "periods")).shuffle(later)
    return (*_numbered(drafts, now, Random(child_seed(seed, "order book", "dates")), later), *specials)


def _numbered(drafts: Sequence[Draft], now: datetime, rng: Random, later_days: Sequence[int]) -> list[OrderLine]:
    """Lines of one customer that came in at one moment are one order. ``later_days``: of each line, in their order."""
    result: list[OrderLine] = []
    order, line = 4000, 0
    previous: tuple[datetime, str] | None = None
    ordered = sorted(drafts, key=lambda d: (d.received_at, d.customer.name))
    for draft, days in zip(ordered, later_days, strict=True):
        key = draft.received_at, draft.customer.name
        order, line = (order, line + 1) if key == previous else (order + 1, 1)
        previous = key
        result.append(finish(draft, f"D{order}", f"D{order}-{line}", now, rng, days))
    return result


class _Drawing:
    """Draws lines one after another, keeping the load of the alloys near their share of the machines."""

    def __init__(self, network: Network, reach: Reach, count: int, rng: Random) -> None:
        self._network, self._reach, self._count, self._rng = network, reach, count, rng
        self._share = _alloy_shares(network)
        self._hours = dict.fromkeys(self._share, 0.0)
        self._choices = self._buildable()
        self._effort = cache(self._find_effort)
        trades = {t: sum(sum(w) for w, _ in c.values()) for t, c in self._choices.items() if t is not None}
        if not trades:
            raise ValueError("no part of the catalogue can be built in this network")
        wanted = max(len(trades), round(count / LINES_PER_CUSTOMER))
        self._customers: dict[str, list[Customer]] = {}
        for customer in make_customers(rng, network, trades, wanted):
            self._customers.setdefault(customer.trade, []).append(customer)

    def draw(self, now: datetime, days: int) -> list[Draft]:
        drafts: list[Draft] = []
        while len(drafts) < self._count:
            lines = self._rng.choices(*LINES_PER_ORDER)[0]
            moment = received(now, days, self._rng)
            first = self._draw_entry(None)
            customer = self._rng.choice(self._customers[first[1].trade])
            drafts.append(self._draft(*first, customer, moment))
            for _ in range(min(lines - 1, self._count - len(drafts))):
                drafts.append(self._draft(*self._draw_entry(customer.trade), customer, moment))
        return drafts

    def _buildable(self) -> dict[str | None, dict[str, Choice]]:
        """By trade (None: all trades) and alloy: what can be built in it somewhere, with its weights."""
        result: dict[str | None, dict[str, Choice]] = {None: {}}
        for entry in CATALOGUE:
            for k, alloy in enumerate(entry.alloys):
                if alloy in self._share and self._reach.sites(Wish(entry.file, alloy)):
                    for trade in (None, entry.trade):
                        weights, entries = result.setdefault(trade, {}).setdefault(alloy, ([], []))
                        weights.append(ALLOY_LIKING[min(k, len(ALLOY_LIKING) - 1)])
                        entries.append(entry)
        return result

    def _draw_entry(self, trade: str | None) -> tuple[str, CatalogueEntry]:
        """Alloy by its share of the machines, more when it has lagged behind; then a part that is made of it."""
        done = sum(self._hours.values()) + 1.0
        alloys = list(self._choices[trade])
        behind = [self._share[a] * done / (self._hours[a] + 1.0) for a in alloys]
        pull = [self._share[a] * min(max(b**CORRECTION, 0.1), 3.0) for a, b in zip(alloys, behind, strict=True)]
        alloy = self._rng.choices(alloys, pull)[0]
        weights, entries = self._choices[trade][alloy]
        return alloy, self._rng.choices(entries, weights)[0]

    def _find_effort(self, model: str, settings: ParameterSet) -> tuple[float, float]:
        """Machine hours a piece and cents an hour, mean over the machines it can be built on."""
        machines = self._reach.machines(Wish(model, settings.alloy_id))
        rate = sum(m.rate_cents_per_h for m in machines) / len(machines)
        return mean_hours(machines, part_sizes()[model], settings, 1), rate

    def _draft(self, alloy_id: str, entry: CatalogueEntry, customer: Customer, moment: datetime) -> Draft:
        alloy = self._network.alloy[alloy_id]
        settings = self._network.parameter_set[alloy.default_parameter_set_id]
        size = part_sizes()[entry.file]
        piece_h, rate = self._effort(entry.file, settings)
        high = max(entry.quantity_low, min(entry.quantity_high, int(MOST_H / piece_h)))
        span = high / entry.quantity_low
        quantity = min(high, round(entry.quantity_low * span ** (self._rng.random() ** SMALLNESS)))
        hours = piece_h * quantity
        self._hours[alloy_id] += hours
        mass_kg = quantity * size.volume_mm3 * alloy.density_g_cm3 / 1e6
        value = hours * rate + mass_kg * alloy.powder_cents_per_kg * 1.2 + quantity * FINISHING_CENTS + HANDLING_CENTS
        return Draft(
            model=entry.file,
            trade=entry.trade,
            alloy_id=alloy_id,
            parameter_set_id=settings.parameter_set_id,
            quantity=quantity,
            customer=customer,
            received_at=moment,
            machine_h=hours,
            value_cents=value,
        )


def _alloy_shares(network: Network) -> dict[str, float]:
    """Share of the machines each alloy gets: the loaded alloy of a machine most of it, the others the rest."""
    share = {a.alloy_id: 0.0 for a in network.alloys}
    for machine in network.machines:
        for alloy_id, part in _split(machine).items():
            share[alloy_id] += part
    total = sum(share.values())
    return {a: s / total for a, s in share.items() if s > 0}


def _split(machine: Machine) -> dict[str, float]:
    loaded = machine.loaded_alloy_id if machine.loaded_alloy_id is not None else machine.alloys[0]
    others = [a for a in machine.alloys if a != loaded]
    if not others:
        return {loaded: 1.0}
    return {loaded: 0.7, **{a: 0.3 / len(others) for a in others}}


def load_network(path: Path) -> tuple[Network, tzinfo]:
    """The network of a file and the zone its local times are in. Raises FaultyInput with every fault."""
    reading = inspect_network(path.read_bytes(), path.name)
    if reading.network is None:
        raise FaultyInput(reading.faults)
    zone: tzinfo | None = reading.zone or reading.network.now.tzinfo
    if zone is None:
        raise ValueError(f"{path.name}: now has no time zone")
    return reading.network, zone


def main(arguments: list[str] | None = None) -> int:
    """Command line of the module."""
    parser = argparse.ArgumentParser(prog="python -m scenarios.order_book", description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--lines", type=int, required=True, help="lines in the book, special ones included")
    parser.add_argument("--seed", type=int, required=True, help="equal seeds give equal books")
    parser.add_argument("--network", type=Path, required=True, help="network.yaml the book is for")
    parser.add_argument("--out", type=Path, required=True, help="file to write")
    parser.add_argument("--days", type=int, default=28, help="days before now over which lines came in (28)")
    parser.add_argument("--periods", type=int, default=1, help="stretches of so many days the work is for (1)")
    parser.add_argument("--specials", action="store_true", help="add the hand-written lines of the demo network")
    options = parser.parse_args(arguments)
    network, zone = load_network(options.network)
    specials = demo_lines(network) if options.specials else ()
    book = make_book(network, options.lines, options.seed, zone, options.days, specials, options.periods)
    options.out.write_text(book_text(book, zone), encoding="utf-8", newline="")
    print(f"{len(book)} lines in {options.out}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
