"""Which sites to open with which machines, and who builds what: a mixed-integer programme on a year's demand.

SITING.md states it. Every amount is in cents a year.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import csr_array

from router.domain.siting import SitingTerms
from router.kernel.run import Status
from router.whatif.discounting import capital_recovery_factor
from router.whatif.siting.offers import Offers
from router.whatif.siting.programme import solve_rows

YEAR_DAYS = 365.0
PARTS = ("sites", "staff", "capital", "build", "steps", "freight", "carbon", "bought")
_LEAST_SHARE = 1e-6
_PROVEN = 1e-9
"""Share of its cost by which a choice may lie above the bound and count as proven: the solver's own tolerance."""


@dataclass(frozen=True, slots=True)
class Case:
    """The terms as plain numbers, some of them varied."""

    history_days: float
    growth: float
    plate_fill: float
    existing_hours_per_year: float
    rate_avoided: float
    bought_cents_per_h: float
    life_years: float
    discount_rate: float
    freight_factor: float
    carbon_factor: float
    capex_factor: float = 1.0

    @staticmethod
    def of(terms: SitingTerms) -> Case:
        return Case(**{name: getattr(terms, name).value for name in SitingTerms.__dataclass_fields__})

    def varied(self, name: str, value: float) -> Case:
        return replace(self, **{name: value})

    @property
    def times(self) -> float:
        """How often a year the history comes."""
        return YEAR_DAYS / self.history_days * (1 + self.growth)

    def yearly(self, once_cents: float) -> float:
        """What an investment costs a year over its life."""
        return once_cents * capital_recovery_factor(self.discount_rate, self.life_years)


@dataclass(frozen=True, slots=True)
class Opened:
    """A new site and its machines: (package id, number)."""

    candidate_id: str
    machines: tuple[tuple[str, int], ...]

    def label(self) -> str:
        what = ", ".join(f"{n} x {package}" for package, n in self.machines) or "no machine"
        return f"{self.candidate_id} ({what})"


@dataclass(frozen=True, slots=True)
class NetworkChoice:
    """The cheapest choice found. ``parts``: cents a year. ``shares``: (line, machine or -1 for bought, share)."""

    status: Status
    opened: tuple[Opened, ...]
    total_cents: float
    bound_cents: float
    parts: dict[str, float]
    investment_cents: float
    shares: tuple[tuple[int, int, float], ...]
    hours: tuple[tuple[str, float, float], ...]
    """(machine id, hours used, hours there are) a year; machines to be bought count together a site and package."""
    co2e_kg: float

    def label(self) -> str:
        return " + ".join(o.label() for o in self.opened) or "no new site"


def choose_network(
    offers: Offers,
    case: Case,
    most_sites: int,
    only: Collection[str] | None = None,
    seconds: float | None = 60.0,
    seed: int = 0,
    stopped: Callable[[], bool] | None = None,
) -> NetworkChoice:
    """The cheapest way to meet a year's demand with at most ``most_sites`` new sites (among ``only``, if given).

    The cheapest found, and not proven, once ``seconds`` are over or ``stopped`` says so.
    """
    return _Programme(offers, case, most_sites, only).solve(seconds, seed, stopped)


def bettered(
    choice: NetworkChoice,
    found: Collection[NetworkChoice],
    most_sites: int,
    only: Collection[str] | None = None,
    bound_cents: float = 0.0,
) -> NetworkChoice:
    """The cheapest of a choice and of what other programmes found, as far as its own programme allowed that too.

    A programme that was ended before its proof may hold a dearer choice than a narrower one found. Its bound stays, or
    is ``bound_cents``, known of a wider programme, where that is higher.
    """
    if choice.status is Status.OPTIMAL:
        return choice

    def allowed(other: NetworkChoice) -> bool:
        return len(other.opened) <= most_sites and (only is None or all(o.candidate_id in only for o in other.opened))

    best = min((choice, *(x for x in found if allowed(x))), key=lambda x: x.total_cents)
    bound = min(max(choice.bound_cents, bound_cents), best.total_cents)
    proven = best.total_cents - bound <= _PROVEN * best.total_cents
    return replace(best, bound_cents=bound, status=Status.OPTIMAL if proven else Status.FEASIBLE)


class _Programme:
    """Columns: z of candidates, n of (candidate, package), x of offers, b of lines bought elsewhere."""

    def __init__(self, offers: Offers, case: Case, most_sites: int, only: Collection[str] | None) -> None:
        self.case, self.most_sites = case, most_sites
        self.offers = offers
        problem, bought = offers.problem, offers.joined.bought
        self.machine_ids = [m.machine_id for m in problem.machines]
        self.places = list(
            {c.candidate_id: c for c, _ in bought.values() if only is None or c.candidate_id in only}.values()
        )
        place_at = {c.candidate_id: k for k, c in enumerate(self.places)}
        self.buys = [(m, *bought[i]) for m, i in enumerate(self.machine_ids) if i in bought]
        self.buys = [b for b in self.buys if b[1].candidate_id in place_at]
        self.buy_at = {m: k for k, (m, _, _) in enumerate(self.buys)}
        self.place_of_buy = [place_at[c.candidate_id] for _, c, _ in self.buys]
        self.used = [o for o in offers.offers if self.machine_ids[o.machine] not in bought or o.machine in self.buy_at]
        self.lines = sorted({o.line for o in offers.offers})
        self.line_at = {line: k for k, line in enumerate(self.lines)}
        least_h = dict.fromkeys(self.lines, np.inf)
        for o in offers.offers:
            least_h[o.line] = min(least_h[o.line], o.hours(case.plate_fill))
        self.bought_h = [least_h[line] for line in self.lines]
        self.n_z, self.n_n, self.n_x = len(self.places), len(self.buys), len(self.used)
        self.n_b = len(self.lines)

    def part_costs(self) -> dict[str, np.ndarray]:
        """What a unit of each column costs, by part."""
        case, fill, times = self.case, self.case.plate_fill, self.case.times
        costs = {part: np.zeros(self.n_z + self.n_n + self.n_x + self.n_b) for part in PARTS}
        n0, x0, b0 = self.n_z, self.n_z + self.n_n, self.n_z + self.n_n + self.n_x
        for k, place in enumerate(self.places):
            costs["sites"][k] = place.fixed_cents_per_year.value
            costs["capital"][k] = case.yearly(place.opening_cents.value * case.capex_factor)
        for k, (_, _, package) in enumerate(self.buys):
            staff = package.staff_cents_per_year.value
            costs["staff"][n0 + k] = staff
            costs["capital"][n0 + k] = case.yearly(self.once(k))
        carbon = self.offers.carbon_cents_per_kg * case.carbon_factor
        for k, o in enumerate(self.used):
            costs["build"][x0 + k] = times * o.build_cents(fill, case.rate_avoided)
            costs["steps"][x0 + k] = times * o.steps_cents
            costs["freight"][x0 + k] = times * o.freight_cents * case.freight_factor
            costs["carbon"][x0 + k] = times * o.co2e_kg(fill) * carbon
        costs["bought"][b0:] = times * np.array(self.bought_h) * case.bought_cents_per_h
        return costs

    def once(self, buy: int) -> float:
        """Investment of one machine, the staff of its ramp-up included."""
        package = self.buys[buy][2]
        ramp = package.ramp_up_months.value / 12 * package.staff_cents_per_year.value
        return package.capex_cents.value * self.case.capex_factor + ramp

    def solve(self, seconds: float | None, seed: int, stopped: Callable[[], bool] | None = None) -> NetworkChoice:
        """Build the rows, solve, and read the answer off."""
        case = self.case
        n0, x0, b0 = self.n_z, self.n_z + self.n_n, self.n_z + self.n_n + self.n_x
        columns = b0 + self.n_b
        entries: list[tuple[int, int, float]] = []
        low: list[float] = []
        high: list[float] = []

        def row(lower: float, upper: float) -> int:
            low.append(lower)
            high.append(upper)
            return len(low) - 1

        # Every line is built or bought: sum of shares = 1.
        for k in range(self.n_b):
            r = row(1.0, 1.0)
            entries.append((r, b0 + k, 1.0))
        for k, o in enumerate(self.used):
            entries.append((self.line_at[o.line], x0 + k, 1.0))
        # Hours used on a machine are no more than there are; of those to be bought, than those bought.
        hour_rows: dict[int, int] = {}
        for k, o in enumerate(self.used):
            if o.machine not in hour_rows:
                at = self.buy_at.get(o.machine)
                hour_rows[o.machine] = row(-np.inf, case.existing_hours_per_year / 1000 if at is None else 0.0)
                if at is not None:
                    entries.append((hour_rows[o.machine], n0 + at, -self.buys[at][2].hours_per_year.value / 1000))
            entries.append((hour_rows[o.machine], x0 + k, case.times * o.hours(case.plate_fill) / 1000))
        # Machines stand at open sites only; so do shares (the strong form of the same).
        for k, (_, _, package) in enumerate(self.buys):
            r = row(-np.inf, 0.0)
            entries += [(r, n0 + k, 1.0), (r, self.place_of_buy[k], -float(package.most_per_site))]
        links: dict[tuple[int, int], int] = {}
        for k, o in enumerate(self.used):
            at = self.buy_at.get(o.machine)
            if at is None:
                continue
            key = (o.line, self.place_of_buy[at])
            if key not in links:
                links[key] = row(-np.inf, 0.0)
                entries.append((links[key], key[1], -1.0))
            entries.append((links[key], x0 + k, 1.0))
        r = row(-np.inf, float(self.most_sites))
        entries += [(r, k, 1.0) for k in range(self.n_z)]
        rows, at_columns, values = zip(*entries, strict=True) if entries else ((), (), ())
        matrix = csr_array((values, (rows, at_columns)), shape=(len(low), columns))
        upper = np.ones(columns)
        upper[n0:x0] = [package.most_per_site for _, _, package in self.buys]
        whole = np.zeros(columns, dtype=np.bool_)
        whole[:x0] = True
        costs = self.part_costs()
        total = np.asarray(sum(costs.values()))
        scale = 1e-5
        found = solve_rows(
            total * scale,
            upper,
            (matrix.indptr, matrix.indices, matrix.data),
            np.array(low),
            np.array(high),
            whole if x0 else None,
            seconds=seconds,
            seed=seed,
            stopped=stopped,
        )
        if found.x is None:
            # Buying everything elsewhere always satisfies the rows, so only a limit can have stopped it here.
            x = np.zeros(columns)
            x[b0:] = 1.0
        else:
            x = found.x.copy()
            x[:x0] = np.rint(x[:x0])
        status = Status.OPTIMAL if found.ended and found.x is not None else Status.FEASIBLE
        return self._read(x, costs, found.bound / scale if np.isfinite(found.bound) else 0.0, status)

    def _read(self, x: np.ndarray, costs: dict[str, np.ndarray], bound: float, status: Status) -> NetworkChoice:
        n0, x0, b0 = self.n_z, self.n_z + self.n_n, self.n_z + self.n_n + self.n_x
        opened, once = [], 0.0
        for k, place in enumerate(self.places):
            if x[k] < 0.5:
                continue
            machines = [
                (self.buys[b][2].package_id, int(x[n0 + b]))
                for b in range(self.n_n)
                if self.place_of_buy[b] == k and x[n0 + b] > 0.5
            ]
            once += place.opening_cents.value * self.case.capex_factor
            opened.append(Opened(place.candidate_id, tuple(machines)))
        once += sum(self.once(b) * x[n0 + b] for b in range(self.n_n))
        fill, times = self.case.plate_fill, self.case.times
        used_h: dict[int, float] = {}
        shares, co2e = [], 0.0
        for k, o in enumerate(self.used):
            share = float(x[x0 + k])
            if share <= _LEAST_SHARE:
                continue
            shares.append((o.line, o.machine, share))
            used_h[o.machine] = used_h.get(o.machine, 0.0) + share * times * o.hours(fill)
            co2e += share * times * o.co2e_kg(fill)
        shares += [(line, -1, float(x[b0 + k])) for k, line in enumerate(self.lines) if x[b0 + k] > _LEAST_SHARE]
        hours = []
        for machine, machine_id in enumerate(self.machine_ids):
            at = self.buy_at.get(machine)
            if at is None and machine_id in self.offers.joined.bought:
                continue
            there = self.case.existing_hours_per_year
            if at is not None:
                there = float(x[n0 + at]) * self.buys[at][2].hours_per_year.value
            if there > 0:
                hours.append((machine_id, used_h.get(machine, 0.0), there))
        parts = {part: float(column @ x) for part, column in costs.items()}
        total = sum(parts.values())
        return NetworkChoice(
            status=status,
            opened=tuple(opened),
            total_cents=total,
            bound_cents=min(bound, total),
            parts=parts,
            investment_cents=once,
            shares=tuple(shares),
            hours=tuple(hours),
            co2e_kg=co2e,
        )
